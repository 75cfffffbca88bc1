"""fhirdrain handoff"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

import click
from click.core import ParameterSource

from fhirdrain.cli.connecting import connect
from fhirdrain.cli.output import Progress, output, say
from fhirdrain.cli.settings import example, store_option
from fhirdrain.errors import ConfigurationError
from fhirdrain.handoff.language import LANGUAGES
from fhirdrain.site import Site, load_site
from fhirdrain.site.policy import load_policy
from fhirdrain.store import Store
from fhirdrain.street.handing_over import (
    Known,
    Rules,
    known_from_files,
    known_from_server,
    known_from_store,
    sheets_of,
    written,
)
from fhirdrain.street.reading import moment, patient_token

FORMS = ("html", "text", "json")
_BY_NAME: Mapping[str, str] = {".html": "html", ".htm": "html", ".json": "json"}


@click.command(
    "handoff",
    epilog=example(
        "fhirdrain handoff --store ward.sqlite --site site.toml \\",
        "    --patient 'https://hospital.example/patient|4711' --out sheet.html",
    ),
)
@click.argument("sources", metavar="[FILE|-]...", nargs=-1)
@store_option("Make it from this store, which alone knows what was told before.")
@click.option(
    "--server", envvar="FHIRDRAIN_SERVER", help="Make it from this server; with --patient."
)
@click.option("--patient", help="Only this patient, as SYSTEM|VALUE.")
@click.option(
    "--site",
    "site_file",
    envvar="FHIRDRAIN_SITE",
    type=click.Path(path_type=Path),
    help="The site file: its shifts, time zone, sides and policy.",
)
@click.option(
    "--policy",
    "policy_file",
    type=click.Path(path_type=Path),
    help="The policy file, in place of the one the site file names.",
)
@click.option("--at", help="As known at this time, in place of now.")
@click.option(
    "--language",
    type=click.Choice(LANGUAGES),
    default="en",
    show_default=True,
    envvar="FHIRDRAIN_LANGUAGE",
    help="In which language.",
)
@click.option(
    "--as",
    "form",
    type=click.Choice(FORMS),
    help="What is written; by default what the name of --out says, else text.",
)
@click.option("--out", default="-", show_default=True, help="Where it goes; - is stdout.")
@click.pass_context
def command(
    context: click.Context,
    sources: tuple[str, ...],
    store_file: Path | None,
    server: str | None,
    patient: str | None,
    site_file: Path | None,
    policy_file: Path | None,
    at: str | None,
    language: str,
    form: str | None,
    out: str,
) -> None:
    """Write the sheet for the nurse who takes over, a page or two a patient.

    It says what is charted and what is not. It is no medical device, no order and not the record:
    look at the patient first, and compare it with the bedside.
    """
    site = load_site(site_file) if site_file is not None else None
    token = patient_token(patient) if patient else None
    if token is not None and site is not None and token[0] != site.systems.patient:
        raise ConfigurationError(
            "the patient is named by another system than the site's",
            hint=f"{site.systems.patient}|...",
        )
    policy = policy_file or (site.policy if site is not None else None)
    rules = Rules(
        site.settings if site is not None else None,
        load_policy(policy) if policy is not None else None,
    )
    when = moment(at) if at else datetime.now().astimezone()
    form = form or _BY_NAME.get(Path(out).suffix.lower(), "text")
    given = {
        name
        for name in ("store_file", "server")
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE
    }
    if len(given) + bool(sources) > 1:
        raise click.UsageError("one of FILE, --store and --server, not several")
    # What was said on the line comes before what the settings say.
    from_store = store_file is not None and not sources and "server" not in given
    known = (
        _from_store(store_file, site, when, token)
        if store_file is not None and from_store
        else _from_elsewhere(sources, server, token, when)
    )
    sheets = sheets_of(known, rules, when)
    if not sheets:
        whose = "this patient" if token is not None else "any patient"
        raise ConfigurationError(
            f"no drain of {whose} is in place, or was within a day, by what was stored then",
            hint="--at names another time, --patient another patient",
        )
    with output(out) as stream:
        stream.write(written(sheets, form, language))
    for key in sorted({note.key for sheet in sheets for note in sheet.notes}):
        if key in ("old", "no-site", "no-versions"):
            say(f"note: {_NOTES[key]}")
    drains = sum(len(sheet.blocks) for sheet in sheets)
    say(f"sheets: {len(sheets)}, drains: {drains}, as known {when:%Y-%m-%d %H:%M %z}")


_NOTES = {
    "old": "the newest reading is more than a day old: --at makes the sheet as of then",
    "no-site": "without --site shifts begin at 07:00 and 19:00 in the readings' own offset",
    "no-versions": "this keeps no earlier versions: what was told before is not known (--store knows)",
}


def _from_store(
    path: Path, site: Site | None, at: datetime, patient: tuple[str, str] | None
) -> Known:
    if not path.exists():
        raise ConfigurationError("there is no such store", place=str(path))
    with Store(path, site.id if site is not None else None, shared=True) as store:
        return known_from_store(store, site, at, patient[1] if patient else None)


def _from_elsewhere(
    sources: tuple[str, ...], server: str | None, patient: tuple[str, str] | None, at: datetime
) -> Known:
    if sources:
        return known_from_files(sources, patient)
    if server is None:
        raise click.UsageError("a FILE, --store or --server says from what")
    if patient is None:
        raise click.UsageError("--server needs --patient: a sheet is of one patient")
    with Progress() as progress:
        return known_from_server(connect(server), patient, at, progress)
