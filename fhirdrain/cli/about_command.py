"""fhirdrain about"""

from __future__ import annotations

import os
import platform
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
    "ucumvert",
    "fhir.resources",
    "zstandard",
    "distributed",
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
        shown = _address(value) if name in ("server", "token_url") else value
        rows.append((name, f"{shown} (from {origin})" if value else "not set"))
    rows.append(("token", "set (from FHIRDRAIN_TOKEN)" if os.environ.get(TOKEN) else "not set"))
    width = max(len(name) for name, _ in rows)
    for name, value in rows:
        click.echo(f"{name:<{width}}  {value}")


def _address(url: str) -> str:
    """Return where a URL leads, without what in it may be a secret."""
    rest = url.rpartition("@")[2] if "@" in url else url.partition("://")[2]
    return f"{url.partition('://')[0]}://{rest.partition('?')[0].partition('#')[0]}"


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"
