"""fhirdrain about"""

from __future__ import annotations

import os
import platform
import sqlite3
import sys
from importlib.metadata import PackageNotFoundError, version

import click

from fhirdrain import __version__
from fhirdrain.conformance.definitions import our_profiles, profiles_folder
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


@click.command("about")
def command() -> None:
    """Show versions and settings, to paste into a report. Holds no secrets and no patient's data."""
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
    for name in ("FHIRDRAIN_SERVER", "FHIRDRAIN_TOKEN", "FHIRDRAIN_TOKEN_FILE"):
        rows.append((name, "set" if os.environ.get(name) else "not set"))
    width = max(len(name) for name, _ in rows)
    for name, value in rows:
        click.echo(f"{name:<{width}}  {value}")


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"
