"""fhirdrain listen"""

from __future__ import annotations

import asyncio
import signal
import ssl
import threading
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import click

from fhirdrain import log
from fhirdrain.cli.connecting import connect
from fhirdrain.cli.output import say
from fhirdrain.cli.settings import (
    destination_of,
    destination_option,
    example,
    show_values_option,
    site_option,
    source_option,
    store_option,
    with_option,
    with_those_of,
)
from fhirdrain.errors import ConfigurationError
from fhirdrain.exchange.mllp import Limits, Listener
from fhirdrain.exchange.patience import Patience
from fhirdrain.sandbox.server import is_loopback
from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.listening import Counts, Courier, Desk, Feed, Works
from fhirdrain.street.patient import wanted_of
from fhirdrain.street.watching import watched


@click.command(
    "listen",
    epilog=example("fhirdrain listen --site site.toml --store ward.sqlite --bind 127.0.0.1:2575"),
)
@site_option
@source_option("Which of its sources.")
@store_option("The store that messages, readings and what goes out are kept in.")
@click.option(
    "--server",
    envvar="FHIRDRAIN_SERVER",
    help="Base URL of the server; without it, none is sent to.",
)
@click.option(
    "--bind",
    default="127.0.0.1:2575",
    show_default=True,
    metavar="HOST:PORT",
    help="Where to listen; port 0 takes a free one, and says which.",
)
@destination_option
@with_option
@click.option("--create-patients", is_flag=True, help="Create patients the server does not know.")
@click.option("--tls-certificate", type=click.Path(), help="Our certificate: listen with TLS.")
@click.option("--tls-key", type=click.Path(), help="Its key, which others cannot read.")
@click.option("--tls-clients", type=click.Path(), help="Who may call: a bundle of authorities.")
@click.option("--watch", type=int, metavar="PORT", help="Serve /metrics and /health on loopback.")
@click.option("--log", "log_file", metavar="FILE|-", help="Write events as JSON lines.")
@show_values_option("Let events hold the server's own words. They may quote values.")
def command(
    site_file: Path,
    source_name: str | None,
    store_file: Path | None,
    server: str | None,
    bind: str,
    destination: str | None,
    extras: tuple[str, ...],
    create_patients: bool,
    tls_certificate: str | None,
    tls_key: str | None,
    tls_clients: str | None,
    watch: int | None,
    log_file: str | None,
    show_values: bool,
) -> None:
    """Listen for HL7 v2 messages (MLLP), keep them, and send what comes of them to a server.

    A message is acknowledged when it is kept for good; one that cannot be read whole is refused with
    the reason, and nothing of it is kept. Ends on SIGTERM or an interrupt, with nothing half done.
    """
    if store_file is None:
        raise click.UsageError("Missing option '--store'.")
    form = destination_of(destination)
    site = replace(load_site(site_file), destination=form)
    extras = with_those_of(form, extras)
    source = site.source(source_name)
    if source.kind != "hl7v2":
        raise ConfigurationError(f'source "{source.name}" is no source of HL7 v2 messages')
    host, port = _address(bind)
    tls = _tls(tls_certificate, tls_key, tls_clients)
    if not is_loopback(host) and tls is None:
        say("listening beyond this machine without TLS: patients' data goes over the net in clear")
    with ExitStack() as stack:
        if log_file is not None:
            stack.callback(log.stop, log.write_to(log_file, show_values=show_values))
        stores = [stack.enter_context(Store(store_file, site.id)) for _ in range(4)]
        wanted = wanted_of(sorted(stores[0].want(extras)), site)
        counts = Counts()
        courier = None
        if server is not None:
            stopped = threading.Event()
            client = connect(server, patience=Patience(sleep=stopped.wait))
            courier = Courier(stores[2], client, counts, create_patients, stopped=stopped)
        feed = Feed(
            Desk(stores[0], site, source, counts),
            Works(stores[1], site, source, wanted),
            courier,
        )
        if watch is not None:
            stack.enter_context(watched(stores[3], counts, watch, say))
        asyncio.run(_listen(feed, host, port, tls))
    say(f"{counts.accepted} messages accepted, {counts.again} again, {counts.refused} refused")


async def _listen(feed: Feed, host: str, port: int, tls: ssl.SSLContext | None) -> None:
    listener = Listener(feed.take, Limits())
    until = asyncio.Event()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        if threading.current_thread() is threading.main_thread():
            loop.add_signal_handler(sign, until.set)
    running = asyncio.ensure_future(feed.run(until, listener.stop))
    await asyncio.sleep(0)
    try:
        taken = await listener.start(host, port, tls)
    except OSError as error:
        until.set()
        await running
        raise ConfigurationError(
            f"{host}:{port} cannot be listened on: {error.strerror or error}"
        ) from None
    say(f"listening on {host}:{taken}")
    await running


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or int(port) > 65535:
        raise ConfigurationError(f'"{text}" is no HOST:PORT', hint="127.0.0.1:2575")
    return host.strip("[]"), int(port)


def _tls(certificate: str | None, key: str | None, clients: str | None) -> ssl.SSLContext | None:
    """Return how to listen with TLS, if that is asked for."""
    if certificate is None and key is None and clients is None:
        return None
    if certificate is None or key is None:
        raise ConfigurationError("TLS needs --tls-certificate and --tls-key")
    try:
        if Path(key).stat().st_mode & 0o077:
            raise ConfigurationError("others can read the key", place=key, hint="chmod 600 it")
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.load_cert_chain(certificate, key)
        if clients is not None:
            context.load_verify_locations(clients)
            context.verify_mode = ssl.CERT_REQUIRED
    except (OSError, ssl.SSLError) as error:
        raise ConfigurationError(f"TLS cannot be set up: {error.strerror or error}") from None
    return context
