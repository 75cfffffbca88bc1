"""fhirdrain sandbox"""

from __future__ import annotations

import sqlite3
from pathlib import Path

import click

from fhirdrain import __version__
from fhirdrain.cli.output import say
from fhirdrain.cli.settings import example
from fhirdrain.errors import ConfigurationError
from fhirdrain.sandbox.server import bind, is_loopback, serve
from fhirdrain.sandbox.storage import Storage


@click.command("sandbox", epilog=example("fhirdrain sandbox --port 8000 --data sandbox.sqlite"))
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="The port; without it a free one is taken and printed.",
)
@click.option("--data", type=click.Path(path_type=Path), help="Keep the data in this file.")
@click.option(
    "--bind",
    "host",
    default="127.0.0.1",
    show_default=True,
    help="The address to listen on; anything but loopback is open to others.",
)
def command(port: int, data: Path | None, host: str) -> None:
    """Serve a small FHIR R4 server until interrupted. For trying and testing, never for care."""
    listener = bind(host, port)
    try:
        storage = Storage(str(data) if data else ":memory:")
    except sqlite3.Error as error:
        raise ConfigurationError(f"not a file of the sandbox: {error}", place=str(data)) from None
    if not is_loopback(host):
        say("warning: this address can be reached by others, and there is no sign-in")
    shown = f"[{host}]" if ":" in host else host
    click.echo(f"http://{shown}:{listener.getsockname()[1]}/fhir")
    say("stop it with Ctrl-C" + ("" if data else "; its data goes with it"))
    serve(listener, storage, __version__, host)
    storage.close()
