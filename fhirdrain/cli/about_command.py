"""fhirdrain about"""

from __future__ import annotations

import os
import platform
import re
import sqlite3
import sys
from importlib.metadata import PackageNotFoundError, version

import click

from fhirdrain import __version__
from fhirdrain.cli.settings import example, in_force, settings_file
from fhirdrain.conformance.definitions import our_profiles, profiles_folder
from fhirdrain.exchange.auth import TOKEN
from fhirdrain.street.samples import samples_folder
from fhirdrain.vocabulary.observables import OBSERVABLES

_LIBRARIES = (
    "click",
    "msgspec",
    "pydantic",
    "requests",
    "urllib3",
    "starlette",
    "uvicorn",
    "tzdata",
    "fhir.resources",
)


@click.command("about", epilog=example("fhirdrain about"))
def command() -> None:
    """Show versions and settings, and where each setting came from, to paste into a report.

    It holds no secrets and no patient's data.
    """
    rows = [
        ("fhirdrain", __version__),
        ("python", f"{sys.version.split()[0]} ({platform.system()} {platform.machine()})"),
        ("sqlite", sqlite3.sqlite_version),
        *((name, _version(name)) for name in _LIBRARIES),
        ("FHIR", "4.0.1; 4.3.0 accepted; JSON"),
        ("observables", str(len(OBSERVABLES))),
        ("profiles", f"{len(our_profiles())} in {profiles_folder()}"),
        ("samples", str(samples_folder())),
    ]
    path, _ = settings_file()
    rows.append(("settings", str(path) if path.is_file() else f"no file at {path}"))
    for name, value, origin in in_force():
        rows.append((name, f"{_without_user(value)} (from {origin})" if value else "not set"))
    rows.append(("token", "set (from FHIRDRAIN_TOKEN)" if os.environ.get(TOKEN) else "not set"))
    width = max(len(name) for name, _ in rows)
    for name, value in rows:
        click.echo(f"{name:<{width}}  {value}")


def _without_user(text: str) -> str:
    """Return a text without what may be a password in a URL."""
    return re.sub(r"//[^/@]*@", "//...@", text)


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"
