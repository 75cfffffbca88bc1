"""fhirdrain check"""

from __future__ import annotations

import sys

import click

from fhirdrain.cli.output import Progress
from fhirdrain.cli.settings import example, show_values_option
from fhirdrain.issues import count_by_severity, render_text, to_operation_outcome
from fhirdrain.street.checking import check_sources
from fhirdrain.vocabulary.jsontext import encode_pretty


@click.command("check", epilog=example("fhirdrain check rounds.json --fail-on warning"))
@click.argument("files", nargs=-1, required=True)
@click.option(
    "--report",
    type=click.Choice(["text", "operationoutcome"]),
    default="text",
    show_default=True,
    help="How the issues are written.",
)
@click.option(
    "--fail-on",
    type=click.Choice(["warning", "error"]),
    default="error",
    show_default=True,
    help="From which severity on the exit code is 1.",
)
@show_values_option()
def command(files: tuple[str, ...], report: str, fail_on: str, show_values: bool) -> None:
    """Hold FHIR JSON (a resource, a bundle, NDJSON; - is stdin) against R4 and our rules.

    Each issue has file, line, column and a FHIRPath location. Exits 1 when there are errors.
    """
    with Progress() as progress:
        issues = check_sources(files, progress)
    if report == "text":
        click.echo(render_text(issues, show_values=show_values), nl=False)
    else:
        outcome = to_operation_outcome(issues, show_values=show_values)
        click.echo(encode_pretty(outcome).decode())
    counts = count_by_severity(issues)
    failing = ["fatal", "error", "warning"] if fail_on == "warning" else ["fatal", "error"]
    sys.exit(1 if any(severity in counts for severity in failing) else 0)
