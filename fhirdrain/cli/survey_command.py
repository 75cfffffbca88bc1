"""fhirdrain survey"""

from __future__ import annotations

from pathlib import Path

import click

from fhirdrain.cli.output import Progress, output, say
from fhirdrain.cli.settings import example
from fhirdrain.errors import ConfigurationError
from fhirdrain.site import load_site
from fhirdrain.street.surveying import layout_of, read_columns, survey_of
from fhirdrain.survey.judging import FAULTS, judged
from fhirdrain.survey.writing import as_csv, as_json, as_text

_BY_NAME = {".html": "html", ".htm": "html", ".csv": "csv", ".json": "json"}


@click.command("survey", epilog=example("fhirdrain survey export/*.ndjson --out survey.html"))
@click.argument("files", nargs=-1, required=True)
@click.option(
    "--site",
    "site_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The site file that says how tables are read, and what their items mean.",
)
@click.option("--source", "source_name", help="Which source of the site file the tables are.")
@click.option(
    "--columns",
    metavar="item=NAME,value=NAME,...",
    help="Which columns of a table are item, value, unit, time, patient, drain, label.",
)
@click.option(
    "--rare",
    type=click.IntRange(1),
    default=3,
    show_default=True,
    help="Texts met less often are only counted: they may be about one patient.",
)
@click.option(
    "--as",
    "form",
    type=click.Choice(["text", "csv", "json", "html"]),
    help="What is written; by default what the name of --out says, else text.",
)
@click.option("--out", default="-", show_default=True, help="Where it goes; - is stdout.")
def command(
    files: tuple[str, ...],
    site_file: Path | None,
    source_name: str | None,
    columns: str | None,
    rare: int,
    form: str | None,
    out: str,
) -> None:
    """Say which codes, units, words and profiles occur in files, which are wrong, what to write.

    Files are FHIR JSON and NDJSON, HL7 v2, or tables; they are read as streams. It judges how data
    is coded; nothing in it is about a patient's care.
    """
    if columns is not None and site_file is not None:
        raise ConfigurationError("--columns or --site, not both")
    layout = read_columns(columns) if columns is not None else None
    if site_file is not None:
        site = load_site(site_file)
        layout = layout_of(site, site.source(source_name))
    form = form or _BY_NAME.get(Path(out).suffix.lower(), "text")
    with Progress(out) as progress:
        survey = survey_of(files, layout, progress)
    rows = judged(survey, rare=rare)
    with output(out) as stream:
        if form == "html":
            from fhirdrain.survey.page import page  # loads what only a page needs

            stream.write(page(survey, rows).encode())
        elif form == "csv":
            stream.write(as_csv(rows))
        elif form == "json":
            stream.write(as_json(survey, rows))
        else:
            stream.write(as_text(survey, rows))
    looks = sum(row.verdict in FAULTS for row in rows)
    say(f"{survey.records} records, {len(survey.tallies)} codes, {looks} lines to look at")
    if survey.unreadable:
        say(f"could not be read: {survey.unreadable.total()}")
