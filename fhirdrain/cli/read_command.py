"""fhirdrain read"""

from __future__ import annotations

import click

from fhirdrain.cli.connecting import connect
from fhirdrain.cli.output import Progress, output, say
from fhirdrain.cli.settings import example, server_option
from fhirdrain.street.reading import (
    Wanted,
    collection_of,
    moment,
    patient_token,
    read_drains,
    refuse_incomplete,
    rows_of,
)
from fhirdrain.vocabulary.jsontext import encode, encode_pretty


@click.command(
    "read",
    epilog=example(
        "fhirdrain read --server http://127.0.0.1:8000/fhir --drain R1 \\",
        "    --since 2025-10-25T07:00+02:00",
    ),
)
@server_option
@click.option("--patient", help="Only this patient, as SYSTEM|VALUE.")
@click.option("--drain", help="Only this drain, by its id in the site file.")
@click.option("--since", help="Only what ended after this time.")
@click.option("--until", help="Only what ended at this time or before.")
@click.option(
    "--as",
    "form",
    type=click.Choice(["rows", "ndjson", "collection"]),
    default="rows",
    show_default=True,
    help="What is written.",
)
@click.option("--out", default="-", show_default=True, help="Where it goes; - is stdout.")
def command(
    server: str,
    patient: str | None,
    drain: str | None,
    since: str | None,
    until: str | None,
    form: str,
    out: str,
) -> None:
    """Read drains back from a FHIR server: readings as rows, or the resources as they are.

    The answer is whole or an error, never short.
    """
    wanted = Wanted(
        patient=patient_token(patient) if patient else None,
        drain=drain,
        since=moment(since) if since else None,
        until=moment(until) if until else None,
    )
    client = connect(server)
    with Progress(out) as progress:
        resources, readings, issues = read_drains(client, wanted, progress)
    refuse_incomplete(issues)
    for code in sorted({issue.code for issue in client.warnings}):
        say(f"the server says of its answer: {code}")
    with output(out) as stream:
        if form == "rows":
            stream.write(rows_of(readings).encode())
        elif form == "ndjson":
            stream.writelines(encode(resource) + b"\n" for resource in resources)
        else:
            stream.write(encode_pretty(collection_of(resources, client.base)) + b"\n")
    drains = {(r.patient, r.drain, r.episode) for r in readings}
    say(f"{len(readings)} readings of {len(drains)} drains, in {len(resources)} resources")
