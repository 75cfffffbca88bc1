"""What map says of a run: every item, what was read as something else, what asks for a look."""

from __future__ import annotations

from typing import get_args

from fhirdrain.bedside.policy import Answer
from fhirdrain.cli.output import say
from fhirdrain.handoff.language import Language
from fhirdrain.issues import render_issue
from fhirdrain.site import Site
from fhirdrain.street.report import MapReport

_SHOWN = 20


def say_report(report: MapReport, site: Site, *, stored: bool, show_values: bool) -> None:
    """Say what came of a run; `stored` tells that a store keeps it."""
    for issue in report.issues[:_SHOWN]:
        say(render_issue(issue, show_values=show_values))
    if len(report.issues) > _SHOWN:
        say(f"... and {len(report.issues) - _SHOWN} more, each with its reason in the rejects file")
    for (text, code), times in sorted(report.respelled.items()):
        say(f'unit "{text}" read as {code}: {times} times')
    for (text, language), times in sorted(report.drawn.items()):
        say(f'word "{text}" read by the word list {language}: {times} times')
    for what, times in sorted(report.assumed.items()):
        say(f"{what}: {times} times")
    for (column, item), times in sorted(report.unused.items()):
        say(f'column "{column}" is no part of item "{item}", and was passed over: {times} times')
    for (became, element, how), times in sorted(report.handled.items()):
        say(f"{became}: {element}{f', {how}' if how else ''}: {times} times")
    if report.ahead:
        say(f"stored before the time they speak of, charted ahead: {report.ahead} items")
    for why, times in sorted(report.set_aside.items()):
        say(f"set aside, {why}: {times}")
    for finding in report.findings:
        say(
            f"look: {finding.drain}, {finding.time:%Y-%m-%d %H:%M}: "
            + (finding.message if show_values else finding.kind)
        )
    _say_policy(report, Language("en", site.settings.zone) if show_values else None)
    for note in report.notes:
        say(f"note: {note}")
    say(
        f"{report.items} items in = {report.mapped} mapped + {report.rejected} rejected"
        f" + {report.set_aside.total()} set aside"
    )
    made = ", ".join(f"{n} {kind}" for kind, n in report.resources.items()) or "nothing"
    say(f"written: {made}")
    for path in report.rejects:
        say(f"rejected rows are in {path}; mend them there and run it together with the sources")
    if not stored:
        say("outputs and totals are those of these files: run all files of a patient together")
        say("without --store nothing is remembered")
    else:
        say("outputs and totals are those of all that the store knows of these patients")
        say(f"new in the store: {report.versions} versions of readings")
        states = ", ".join(f"{n} {state}" for state, n in sorted(report.outgoing.items()))
        say(f"going out: {states or 'nothing'}")


def _say_policy(report: MapReport, language: Language | None) -> None:
    """Say which figures of the site's policy are met, and that a person decides.

    Why is said in a language, where there is one: it holds patients' values.
    """
    if not report.answers:
        return
    for one in report.judgements:
        at = f", {one.time:%Y-%m-%d %H:%M}" if one.time is not None else ""
        why = f": {'; '.join(map(language.say, one.why))}" if language is not None else ""
        say(f"policy: {', '.join(one.drains)}{at}: {one.figure.says} [{one.figure.source}]{why}")
    told = ", ".join(f"{report.answers[answer]} {answer}" for answer in get_args(Answer))
    say(f"policy: {told}; a prompt to look: local policy and licensed clinicians decide")
