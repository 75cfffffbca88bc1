"""fhirdrain post"""

from __future__ import annotations

import sys
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import click

from fhirdrain import log
from fhirdrain.cli.connecting import connect
from fhirdrain.cli.output import Progress, say
from fhirdrain.cli.settings import (
    example,
    server_option,
    show_values_option,
    store_option,
)
from fhirdrain.errors import ConfigurationError
from fhirdrain.exchange.delivery import Delivery
from fhirdrain.issues import render_issue
from fhirdrain.store import Store
from fhirdrain.street.posting import TO_SEND, note, post_all, post_waiting, prepare, settle

_SHOWN = 10


@click.command(
    "post",
    epilog=example("fhirdrain post rounds.json --server http://127.0.0.1:8000/fhir"),
)
@click.argument("files", nargs=-1)
@server_option
@click.option("--dry-run", is_flag=True, help="Check and say what would be sent; send nothing.")
@store_option("Note in this file what the server confirmed; without FILES, send what waits in it.")
@click.option("--create-patients", is_flag=True, help="Create patients the server does not know.")
@click.option("--unchecked", is_flag=True, help="Send without checking first.")
@click.option(
    "--at-once",
    type=click.IntRange(1, 64),
    default=1,
    show_default=True,
    help="Patients whose entries go out at the same time.",
)
@click.option(
    "--per-second",
    type=click.FloatRange(0, min_open=True),
    help="Requests a second at most; without it, as many as go.",
)
@click.option("--log", "log_file", metavar="FILE|-", help="Write events as JSON lines.")
@show_values_option("Show what the server says. It may quote values.")
def command(
    files: tuple[str, ...],
    server: str,
    dry_run: bool,
    store_file: Path | None,
    create_patients: bool,
    unchecked: bool,
    at_once: int,
    per_second: float | None,
    log_file: str | None,
    show_values: bool,
) -> None:
    """Send transaction bundles to a FHIR server; what is there already is compared, not doubled.

    With a store and no files, what waits in the store is sent: what was said before and came to be
    another is updated under its identity.

    A bearer token is taken from FHIRDRAIN_TOKEN, or from the file FHIRDRAIN_TOKEN_FILE names; the
    settings name other ways to sign in.
    Exits 1 when something was refused or differs, 3 when the server failed, 4 when it failed
    after a part was delivered.
    """
    if log_file is not None:
        click.get_current_context().call_on_close(
            partial(log.stop, log.write_to(log_file, show_values=show_values))
        )
    if not files:
        if store_file is None or unchecked:
            raise click.UsageError(
                "Missing argument 'FILES...', or a store in which something waits."
            )
        _post_waiting(
            store_file, server, dry_run, create_patients, at_once, per_second, show_values
        )
        return
    with Progress() as checking:
        parcels = [prepare(name, checked=not unchecked, progress=checking) for name in files]
    if unchecked:
        say("sent unchecked, as asked")
    for parcel in parcels:
        warned = sum(1 for issue in parcel.issues if not issue.is_error)
        if warned:
            say(f"{parcel.file}: {warned} warnings; fhirdrain check shows them")
    client = connect(server, per_second)
    if dry_run:
        say(f"{client.base} speaks FHIR {client.release()}")
        for parcel in parcels:
            say(
                f"{parcel.file}: {len(parcel.entries)} entries in {parcel.pieces} transactions"
                " would be sent; nothing was"
            )
        return
    deliveries = []
    with ExitStack() as stack:
        store = stack.enter_context(Store(store_file)) if store_file else None
        if store is not None:
            with store.commit():
                pass  # a store that is in use must be known before anything is sent
        progress = stack.enter_context(Progress())
        for parcel, delivery in post_all(
            client, parcels, create_patients=create_patients, at_once=at_once, progress=progress
        ):
            progress.clear()
            deliveries.append(delivery)
            show(parcel.file, delivery)
            for issue in delivery.told if show_values else ():
                say(f"  {render_issue(issue, show_values=True)}")
            if store is not None:
                note(store, client, delivery)
    sys.exit(settle(deliveries))


def _post_waiting(
    store_file: Path,
    server: str,
    dry_run: bool,
    create_patients: bool,
    at_once: int,
    per_second: float | None,
    show_values: bool,
) -> None:
    if not store_file.exists():
        raise ConfigurationError("there is no such store", place=str(store_file))
    client = connect(server, per_second)
    with Store(store_file) as store, Progress() as progress:
        if dry_run:
            count = sum(1 for _ in store.outgoing(*TO_SEND))
            say(f"{client.base} speaks FHIR {client.release()}")
            say(f"{count} resources that wait in the store would be sent; nothing was")
            return
        delivery = post_waiting(
            client, store, create_patients=create_patients, at_once=at_once, progress=progress
        )
        progress.clear()
    show(store_file.name, delivery)
    for issue in delivery.told if show_values else ():
        say(f"  {render_issue(issue, show_values=True)}")
    sys.exit(settle([delivery]))


def show(file: str, delivery: Delivery) -> None:
    """Say what became of a file's entries, in words without patients' values."""
    say(
        f"{file}: {len(delivery.created)} created, {len(delivery.present)} there already and the"
        f" same, {len(delivery.updated)} updated, {len(delivery.different)} different,"
        f" {len(delivery.uncompared)} not compared,"
        f" {len(delivery.refused)} refused, {len(delivery.parked)} parked,"
        f" {len(delivery.waiting)} not confirmed"
    )
    for how in delivery.notes:
        say(f"  {how}")
    for entry, found in delivery.different[:_SHOWN]:
        say(f"  {entry.label}: the server holds something else: {'; '.join(found[:4])}")
    reasons = [*delivery.refused, *delivery.parked, *delivery.uncompared]
    for reason in dict.fromkeys(reason for _, reason in reasons):
        same = [entry for entry, why in reasons if why == reason]
        say(f"  {len(same)} entries from {same[0].label} on: {reason}")
