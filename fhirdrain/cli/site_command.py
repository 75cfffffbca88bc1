"""fhirdrain site"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from fhirdrain.cli.settings import example
from fhirdrain.intake.sources import KINDS
from fhirdrain.issues import render_text
from fhirdrain.site import read_site


@click.command("site", epilog=example("fhirdrain site site.toml"))
@click.argument("file", type=click.Path(path_type=Path))
def command(file: Path) -> None:
    """Check a site file: keys, codes, words, units, with the nearest known name for each fault."""
    site, issues = read_site(file)
    if issues:
        click.echo(render_text(issues), nl=False)
    if site is None:
        sys.exit(2)
    click.echo(f"{site.name} ({site.id}), {site.settings.zone}: {len(site.labels)} drain labels")
    for source in site.sources.values():
        meant = sum(1 for item in source.items.values() if item.ignore is None)
        read = "read by this version" if source.kind in KINDS else ("not read by this version")
        click.echo(
            f"source {source.name}: {source.kind}, {source.layout}, {meant} items mapped,"
            f" {len(source.items) - meant} ignored; {read}"
        )
    click.echo("the site file is right")
