"""fhirdrain tour"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import click

from fhirdrain.cli.settings import example
from fhirdrain.errors import ConfigurationError
from fhirdrain.street.tour import Tour


@click.command("tour", epilog=example("fhirdrain tour --keep tour"))
@click.option(
    "--keep",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write the files into this folder instead of a new temporary one.",
)
def command(keep: Path | None) -> None:
    """Walk the whole street once on an invented ward, without a network.

    Maps, checks, sends to a sandbox, sends again, reads back, and adds up. Exits 0 only when
    everything came out as the scenario's table says.
    """
    if keep is not None:
        try:
            keep.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ConfigurationError(
                f"the folder cannot be made: {error.strerror}", place=str(keep)
            ) from None
    tour = Tour(keep or Path(tempfile.mkdtemp(prefix="fhirdrain-tour-")))
    for line in tour.lines():
        click.echo(line)
    sys.exit(1 if tour.faults else 0)
