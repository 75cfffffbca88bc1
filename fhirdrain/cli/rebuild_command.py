"""fhirdrain rebuild"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import click

from fhirdrain.cli.connecting import connect
from fhirdrain.cli.output import Progress, say
from fhirdrain.cli.settings import destination_of, destination_option, example, server_option
from fhirdrain.errors import ConfigurationError
from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.reading import Wanted, patient_token, read_drains, refuse_incomplete
from fhirdrain.street.rebuilding import rebuild


@click.command(
    "rebuild",
    epilog=example(
        "fhirdrain rebuild new.sqlite --site site.toml --server http://127.0.0.1:8000/fhir"
    ),
)
@click.argument("store_file", metavar="STORE", type=click.Path(path_type=Path))
@click.option(
    "--site",
    "site_file",
    required=True,
    envvar="FHIRDRAIN_SITE",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The site file whose drains they are.",
)
@server_option
@destination_option
@click.option("--patient", help="Only this patient, as SYSTEM|VALUE.")
def command(
    store_file: Path, site_file: Path, server: str, destination: str | None, patient: str | None
) -> None:
    """Make a lost store anew, in a file that is not there yet, from what a server holds.

    A server is not told of what was set aside, nor of earlier versions: map what the source still
    has into the store afterwards. Exits 1 when something there is not as it would go out.
    """
    site = replace(load_site(site_file), destination=destination_of(destination))
    wanted = Wanted(patient=patient_token(patient) if patient else None)
    if store_file.exists():
        raise ConfigurationError(
            "the file is there already", place=str(store_file), hint="name one that is not"
        )
    client = connect(server)
    with Progress() as progress:
        resources, _, issues = read_drains(client, wanted, progress)
    refuse_incomplete(issues)
    with Store(store_file, site.id) as store:
        report = rebuild(store, site, resources, client.base)
    for code in sorted({issue.code for issue in client.warnings}):
        say(f"the server says of its answer: {code}")
    if report.others:
        say(f"{report.others} resources there are of another site, and were passed over")
    if report.without_rates:
        say("rates stand there, and no policy of the site asks for them: they were left alone")
    if report.without_items:
        say(
            f"{report.without_items} amounts there do not say their item, since the site file names no"
            " system of items: two that are alike may be one, until the source is mapped"
        )
    if report.by_weight:
        say(f"{report.by_weight} rates there are by weight: map the weights before anything else")
    say(f"{report.readings} readings of {report.drains} drains are in the store")
    say(f"{report.confirmed} resources stand there as they would go out, {report.waiting} do not")
    sys.exit(1 if report.waiting else 0)
