"""fhirdrain jwks"""

from __future__ import annotations

import json

import click

from fhirdrain.cli.settings import example, setting
from fhirdrain.errors import ConfigurationError
from fhirdrain.exchange.assertions import load_key


@click.command("jwks", epilog=example("fhirdrain jwks"))
def command() -> None:
    """Print the public key as a JSON Web Key Set, to be registered where we sign in.

    The key is that of key_file in the settings, or of FHIRDRAIN_KEY_FILE. Nothing of its private half
    is printed.
    """
    file = setting("key_file")
    if not file:
        raise ConfigurationError("no key is named", hint="key_file, or FHIRDRAIN_KEY_FILE")
    click.echo(json.dumps(load_key(file, setting("key_id")).jwks(), indent=2))
