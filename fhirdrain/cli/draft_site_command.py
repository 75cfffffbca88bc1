"""fhirdrain draft-site"""

from __future__ import annotations

import re

import click

from fhirdrain.cli.output import output, say
from fhirdrain.cli.settings import example
from fhirdrain.errors import ConfigurationError
from fhirdrain.street.drafting import read_dictionary, read_names
from fhirdrain.survey.drafting import draft, languages_of
from fhirdrain.survey.proposing import site_file, table
from fhirdrain.survey.terms import LANGUAGES


@click.command(
    "draft-site", epilog=example("fhirdrain draft-site items.csv --name rounds --out site.toml")
)
@click.argument("items", metavar="ITEMS")
@click.option("--name", default="source", show_default=True, help="What the source is called.")
@click.option(
    "--columns",
    metavar="code=NAME,label=NAME,...",
    help="Which columns are code, label, unit, category, words, count, if not by their names.",
)
@click.option(
    "--language",
    "languages",
    type=click.Choice(LANGUAGES),
    multiple=True,
    help="The language of the labels; by default the one they speak of chest drains in.",
)
@click.option(
    "--as",
    "form",
    type=click.Choice(["toml", "csv"]),
    default="toml",
    show_default=True,
    help="A site file, or a line an item.",
)
@click.option("--out", default="-", show_default=True, help="Where it goes; - is stdout.")
def command(
    items: str, name: str, columns: str | None, languages: tuple[str, ...], form: str, out: str
) -> None:
    """Propose a site file from an item dictionary (CSV: code, label, unit, category, values).

    What is plain is proposed firmly; what a person must look at is marked draft = true, and map
    refuses the file until the marks are gone; what is no chest drain's is left out. Each with the
    reason.
    """
    if not re.fullmatch(r"[A-Za-z0-9_-]+", name):
        raise ConfigurationError(f'"{name}" cannot name a source', hint="letters, digits, - and _")
    entries = read_dictionary(items, read_names(columns) if columns is not None else None)
    spoken = languages or languages_of(entries)
    drafts = draft(entries, spoken)
    text = site_file(drafts, name) if form == "toml" else table(drafts)
    with output(out) as stream:
        stream.write(text.encode())
    counts = {grade: sum(d.grade == grade for d in drafts) for grade in ("firm", "ask", "out")}
    say(f"read as: {', '.join(spoken)}")
    say(
        f"{len(drafts)} items: {counts['firm']} firm, {counts['ask']} to be asked,"
        f" {counts['out']} left out"
    )
