"""fhirdrain compare"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from fhirdrain.bedside.reading import Reading
from fhirdrain.cli.connecting import connect
from fhirdrain.cli.output import Progress, say
from fhirdrain.cli.settings import example, show_values_option
from fhirdrain.errors import ConfigurationError
from fhirdrain.site import Site, load_site
from fhirdrain.street.comparing import (
    Names,
    compare_readings,
    is_server,
    readings_at,
    readings_of_server,
    to_json,
    to_lines,
)
from fhirdrain.street.reading import patient_token
from fhirdrain.vocabulary.jsontext import encode_pretty


@click.command(
    "compare",
    epilog=example(
        "fhirdrain compare http://127.0.0.1:8000/fhir http://127.0.0.1:8001/fhir \\",
        "    --site quay-end.toml --source north-pier",
    ),
)
@click.argument("first")
@click.argument("second")
@click.option(
    "--site",
    "site_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The second's site file: its shifts and days.",
)
@click.option(
    "--source",
    "source_name",
    help="The source of the site file by which the first's patients and drains are called there.",
)
@click.option("--patient", help="Only this patient of both, as SYSTEM|VALUE.")
@click.option(
    "--as",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="What is written.",
)
@show_values_option()
def command(
    first: str,
    second: str,
    site_file: Path | None,
    source_name: str | None,
    patient: str | None,
    form: str,
    show_values: bool,
) -> None:
    """Prove that two servers, files, folders or stores hold the same drains, or list what differs.

    Readings are compared with all that they say, and the outputs and totals that follow from them.
    Exits 1 when something differs.
    """
    site = load_site(site_file) if site_file is not None else None
    if source_name is not None and site is None:
        raise ConfigurationError("--source needs --site")
    names = Names()
    if site is not None and source_name is not None:
        names = Names.of(site, site.source(source_name))
    token = patient_token(patient) if patient else None
    # The first's store, if it is one, is of another site.
    one = _readings(first, None if names.drains else site, token)
    other = _readings(second, site, token)
    comparison = compare_readings(one, other, site.settings if site is not None else None, names)
    if form == "json":
        click.echo(encode_pretty(to_json(comparison, show_values=show_values)).decode())
    else:
        for line in to_lines(comparison, show_values=show_values):
            click.echo(line)
    counts = comparison.same
    say(
        "the same: "
        + ", ".join(f"{counts[kind]} {kind}s" for kind in ("drain", "reading", "output", "total"))
    )
    if site is None:
        say("note: without --site totals are of shifts from 07:00 and 19:00")
    say(f"different: {len(comparison.differences)}")
    sys.exit(1 if comparison.differences else 0)


def _readings(name: str, site: Site | None, patient: tuple[str, str] | None) -> list[Reading]:
    if is_server(name):
        with Progress() as progress:
            return readings_of_server(connect(name), patient, progress)
    return readings_at(name, site, patient)
