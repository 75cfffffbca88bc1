"""fhirdrain package"""

from __future__ import annotations

import click

from fhirdrain.cli.output import output, say
from fhirdrain.cli.settings import example
from fhirdrain.street.packaging import write_package
from fhirdrain.vocabulary.codes import BASE


@click.command(
    "package",
    epilog=example("fhirdrain package --base https://north-pier.example/fhir --out north-pier.tgz"),
)
@click.option(
    "--base", default=BASE, show_default=True, help="The canonical base the profiles move to."
)
@click.option("--name", default="", help="The package's name; else made from the base's host.")
@click.option("--out", required=True, help="Where the .tgz goes; - is stdout.")
def command(base: str, name: str, out: str) -> None:
    """Write our profiles, value sets and maps as a FHIR package, under a site's own base.

    The code system keeps its URL: a code must mean the same everywhere.
    """
    with output(out) as stream:
        count = write_package(stream, base, name)
    say(f"{count} files, canonical {base}")
