"""fhirdrain sandbox"""

from __future__ import annotations

import os
from pathlib import Path

import click

from fhirdrain import __version__
from fhirdrain.cli.output import say
from fhirdrain.cli.settings import example
from fhirdrain.errors import ConfigurationError
from fhirdrain.exchange.auth import secret
from fhirdrain.sandbox.faults import Faults, share_of
from fhirdrain.sandbox.server import bind, is_loopback, serve
from fhirdrain.sandbox.storage import Storage

TOKEN = "FHIRDRAIN_SANDBOX_TOKEN"


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
@click.option(
    "--fault",
    "faults",
    metavar="KIND:SHARE",
    multiple=True,
    help="Fail a share of the requests: a status such as 503:0.1, or reset, late-reset, slow.",
)
@click.option("--fault-seed", type=int, help="Draw the faults in the same order every time.")
@click.option("--read-only", is_flag=True, help="Refuse to write.")
@click.option(
    "--token-file",
    type=click.Path(path_type=Path),
    help="Ask for the bearer token in this file; else for FHIRDRAIN_SANDBOX_TOKEN, if set.",
)
def command(
    port: int,
    data: Path | None,
    host: str,
    faults: tuple[str, ...],
    fault_seed: int | None,
    read_only: bool,
    token_file: Path | None,
) -> None:
    """Serve a small FHIR R4 server until interrupted. For trying and testing, never for care."""
    given = os.environ.get(TOKEN)
    if given is not None and token_file is not None:
        raise ConfigurationError(f"{TOKEN} and --token-file are both given", hint="keep one")
    token = secret(given, str(token_file) if token_file else None)
    if token is None and (given is not None or token_file is not None):
        raise ConfigurationError("the token is empty")
    schedule = Faults([share_of(fault) for fault in faults], fault_seed) if faults else None
    listener = bind(host, port)
    storage = Storage(str(data) if data else ":memory:")
    if not is_loopback(host):
        signed = "" if token else ", and there is no sign-in"
        say(f"warning: this address can be reached by others{signed}")
    shown = f"[{host}]" if ":" in host else host
    click.echo(f"http://{shown}:{listener.getsockname()[1]}/fhir")
    say("stop it with Ctrl-C" + ("" if data else "; its data goes with it"))
    serve(listener, storage, __version__, host, faults=schedule, read_only=read_only, token=token)
    storage.close()
