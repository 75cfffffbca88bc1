"""fhirdrain check"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from contextlib import ExitStack
from itertools import chain
from pathlib import Path

import click
from click.shell_completion import CompletionItem

from fhirdrain.cli.output import Progress, refuse_inside
from fhirdrain.cli.settings import example, show_values_option
from fhirdrain.cli.spreading import say_begun, spreading_of, spreading_options
from fhirdrain.errors import SourceError
from fhirdrain.issues import (
    Issue,
    Severity,
    all_rules,
    render_junit,
    render_ndjson,
    render_text,
    to_operation_outcome,
    to_sarif,
)
from fhirdrain.street.checking import Against, Follow, Unknown, check_sources
from fhirdrain.street.explaining import explained, nearest, other_keys
from fhirdrain.street.sources import files_of, is_fhir, shown_name
from fhirdrain.vocabulary.jsontext import encode_pretty


def _complete(
    context: click.Context, parameter: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Return the rules whose names begin so, and R4's invariants, for the shell."""
    titles = {name: known.title for name, known in all_rules().items()}
    titles |= dict.fromkeys(other_keys(), "An invariant of R4.")
    return [
        CompletionItem(name, help=title)
        for name, title in titles.items()
        if name.startswith(incomplete)
    ]


def _explain(context: click.Context, parameter: click.Parameter, name: str | None) -> None:
    """Explain a rule or an invariant and stop, before any file is asked for."""
    if name is None or context.resilient_parsing:
        return
    text = explained(name)
    if text is None:
        near = nearest(name)
        hint = f" Nearest: {', '.join(near)}." if near else ""
        raise click.BadParameter(f'there is no rule "{name}".{hint}', context, parameter)
    click.echo(text, nl=False)
    context.exit()


@click.command("check", epilog=example("fhirdrain check rounds.json --fail-on warning"))
@click.argument("files", nargs=-1, required=True)
@click.option(
    "--report",
    type=click.Choice(["text", "operationoutcome", "ndjson", "sarif", "junit"]),
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
@click.option(
    "--profiles",
    metavar="PATH",
    multiple=True,
    help="A folder, a file or a FHIR package (.tgz) of definitions; may be given several times.",
)
@click.option(
    "--profile",
    metavar="URL",
    multiple=True,
    help="Hold every resource of its type against this profile; may be given several times.",
)
@click.option(
    "--extensions",
    type=click.Choice(["accept", "mention", "refuse"]),
    default="mention",
    show_default=True,
    help="What is said of extensions that nobody has defined.",
)
@click.option(
    "--references",
    type=click.Choice(["accept", "resolve"]),
    default="accept",
    show_default=True,
    help="Whether references out of the file must lead to something in --profiles.",
)
@click.option(
    "--site",
    "site_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The site file: how near two amounts may be one, how far suction may be from its order.",
)
@click.option("--recommended", is_flag=True, help="Say too what R4 only recommends.")
@click.option(
    "--explain",
    metavar="RULE",
    shell_complete=_complete,
    is_eager=True,
    expose_value=False,
    callback=_explain,
    help="Say what a rule, or an invariant of R4, demands and why, and check nothing.",
)
@spreading_options
@show_values_option()
def command(
    files: tuple[str, ...],
    report: str,
    fail_on: str,
    profiles: tuple[str, ...],
    profile: tuple[str, ...],
    extensions: Unknown,
    references: Follow,
    site_file: Path | None,
    recommended: bool,
    workers: int | None,
    cluster: str | None,
    work: Path | None,
    show_values: bool,
) -> None:
    """Hold FHIR JSON (a resource, a bundle, NDJSON; - is stdin) against R4, profiles, our rules.

    Each issue has file, line, column and a FHIRPath location. Exits 1 when there are errors. Of a
    folder all .json and .ndjson files are checked; those packed with gzip or Zstandard, too.
    """
    with ExitStack() as stack:
        progress = stack.enter_context(Progress())
        named, files = files, tuple(files_of(files, is_fhir))
        against = Against(profiles, profile, extensions, references, recommended, site_file)
        spreading = spreading_of(stack, workers, cluster, work, "-")
        checker, issues = against.checker()
        if spreading is None:
            found = chain(issues, check_sources(files, progress, checker))
        else:
            from fhirdrain.street.checking_spread import begun, check_spread

            refuse_inside([spreading.folder], map(Path, files))
            refuse_inside(map(Path, named), [spreading.folder])
            dealt = stack.enter_context(begun(files, against, spreading))
            say_begun(dealt)
            found = chain(
                issues, check_spread(files, against, checker, spreading.workers, dealt, progress)
            )
        counts: Counter[Severity] = Counter()
        kept: list[Issue] = []
        failure: SourceError | None = None
        try:
            for issue in found:
                counts[issue.severity] += 1
                if report == "ndjson":
                    # As they come: a file of any length is checked in the memory of one line.
                    click.echo(render_ndjson([issue], show_values=show_values), nl=False)
                else:
                    kept.append(issue)
        except SourceError as error:
            failure = error  # the other files have been looked at
    # A program would take a report without the file that cannot be read for the whole.
    if report != "ndjson" and (failure is None or (kept and report == "text")):
        click.echo(_rendered(report, kept, files, show_values), nl=False)
    if failure is not None:
        raise failure
    failing = ["fatal", "error", "warning"] if fail_on == "warning" else ["fatal", "error"]
    sys.exit(1 if any(severity in counts for severity in failing) else 0)


def _rendered(report: str, issues: Sequence[Issue], files: Sequence[str], values: bool) -> str:
    match report:
        case "text":
            return render_text(issues, show_values=values)
        case "junit":
            return render_junit(issues, map(shown_name, files), show_values=values)
        case "sarif":
            whole = to_sarif(issues, show_values=values)
        case _:
            whole = to_operation_outcome(issues, show_values=values)
    return f"{encode_pretty(whole).decode()}\n"
