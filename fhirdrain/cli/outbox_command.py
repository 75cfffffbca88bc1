"""fhirdrain outbox"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import click

from fhirdrain.cli.output import output, say
from fhirdrain.cli.settings import example, show_values_option, store_option
from fhirdrain.errors import ConfigurationError
from fhirdrain.site.durations import duration
from fhirdrain.store import Outgoing, Store
from fhirdrain.vocabulary.jsontext import encode, encode_pretty

_LEFT = ("waiting", "parked", "refused")
_SHOWN = 50


@click.command("outbox", epilog=example("fhirdrain outbox --store ward.sqlite --retry 17"))
@store_option("The store that holds what goes out.")
@click.option("--show", "shown", metavar="N", type=int, help="Write one resource, whole.")
@click.option(
    "--retry", "again", metavar="N|all", multiple=True, help="Let what was refused wait again."
)
@click.option("--export", metavar="FILE|-", help="Write all that was refused, with the reasons.")
@click.option("--message", metavar="N", type=int, help="Write one message that came, whole.")
@click.option(
    "--forget", "age", metavar="AGE", help="Drop messages and overtaken contents older than that."
)
@show_values_option("Show the server's own words. They may quote values.")
def command(
    store_file: Path | None,
    shown: int | None,
    again: tuple[str, ...],
    export: str | None,
    age: str | None,
    message: int | None,
    show_values: bool,
) -> None:
    """Show what waits to go out, was refused or is parked; `fhirdrain post --store` sends it.

    Readings are never dropped, since numbers are worked out from them.

    What is written with --show, --message and --export holds patients' values.
    """
    if store_file is None:
        raise click.UsageError("Missing option '--store'.")
    if not store_file.exists():
        raise ConfigurationError("there is no such store", place=str(store_file))
    with Store(store_file, shared=True) as store:
        if again:
            numbers = _numbers(again, list(store.outgoing("refused", "parked")))
            with store.commit():
                say(f"{store.retry(numbers)} wait again")
            return
        if age is not None:
            _forget(store, age)
            return
        left = list(store.outgoing(*_LEFT))
        if shown is not None:
            found = [one for one in (*left, *store.outgoing("sent")) if one.number == shown]
            if not found:
                raise ConfigurationError(f"nothing in the store has the number {shown}")
            click.echo(encode_pretty(found[0].resource).decode())
            return
        if export is not None:
            refused = [one for one in left if one.state == "refused"]
            with output(export) as stream:
                for one in refused:
                    stream.write(encode(_exported(one)) + b"\n")
            say(f"{len(refused)} were refused")
            return
        if message is not None:
            held = [one for one in store.messages("new", "held", "done") if one.number == message]
            if not held:
                raise ConfigurationError(f"no message in the store has the number {message}")
            click.echo(held[0].body.replace(b"\r", b"\n").decode("utf-8", "replace"))
            return
        counts, messages = store.outgoing_by_state(), store.messages_by_state()
        held = store.messages("held")
    for one in left[:_SHOWN]:
        kind, why = one.resource["resourceType"], _why(one, show_values)
        click.echo(f"{one.number}  {one.state}  {kind} of {one.lane}{why}")
    if len(left) > _SHOWN:
        click.echo(f"... and {len(left) - _SHOWN} more")
    click.echo(", ".join(f"{counts.get(state, 0)} {state}" for state in (*_LEFT, "sent")))
    for waiting in held[:_SHOWN]:
        click.echo(f"message {waiting.number}  held: {waiting.reason}")
    if messages:
        told = ", ".join(f"{messages.get(state, 0)} {state}" for state in ("new", "held", "done"))
        click.echo(f"messages: {told}")


def _forget(store: Store, age: str) -> None:
    try:
        length = duration(age)
    except ValueError as error:
        raise ConfigurationError(str(error), hint="as 90d") from None
    with store.commit():
        messages, contents = store.forget(datetime.now(UTC) - length)
    say(f"dropped: {messages} messages, {contents} contents that were overtaken")


def _numbers(asked: Sequence[str], left: Sequence[Outgoing]) -> list[int]:
    """Return the numbers asked for; raises `ConfigurationError` for one that was not refused."""
    known = [one.number for one in left]
    if "all" in asked:
        return known
    for text in asked:
        if not text.isdigit() or int(text) not in known:
            raise ConfigurationError(
                f'"{text}" is not the number of something refused or parked',
                hint="fhirdrain outbox without --retry lists them",
            )
    return [int(text) for text in asked]


def _why(one: Outgoing, show_values: bool) -> str:
    """Return why it is where it is; of a server's answer only the status, unless asked for."""
    if not one.reason:
        return ""
    return f": {one.reason if show_values else one.reason.partition(';')[0]}"


def _exported(one: Outgoing) -> dict[str, object]:
    return {
        "number": one.number,
        "put": one.put.isoformat(),
        "reason": one.reason,
        "resource": one.resource,
    }
