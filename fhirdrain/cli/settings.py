"""Settings: flags come first, then FHIRDRAIN_* in the environment, then a TOML file.

The file is the one FHIRDRAIN_SETTINGS names, else `fhirdrain/settings.toml` in the user's own
folder of configurations; never one of the folder a command happens to run in, since it says where
patients' data goes. Secrets stand in no file of settings.
"""

from __future__ import annotations

import difflib
import os
import tomllib
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import click

from fhirdrain.errors import ConfigurationError, FhirdrainError

if TYPE_CHECKING:
    from fhirdrain.site.destination import Destination

FILE = "FHIRDRAIN_SETTINGS"


class Setting(NamedTuple):
    """One setting: its name in the file, the environment's, and the option it is a default of."""

    name: str
    environment: str
    parameter: str


SETTINGS = (
    Setting("server", "FHIRDRAIN_SERVER", "server"),
    Setting("site", "FHIRDRAIN_SITE", "site_file"),
    Setting("source", "FHIRDRAIN_SOURCE", "source_name"),
    Setting("store", "FHIRDRAIN_STORE", "store_file"),
    Setting("token_file", "FHIRDRAIN_TOKEN_FILE", ""),
    Setting("sign_in", "FHIRDRAIN_SIGN_IN", ""),
    Setting("client_id", "FHIRDRAIN_CLIENT_ID", ""),
    Setting("client_secret_file", "FHIRDRAIN_CLIENT_SECRET_FILE", ""),
    Setting("key_file", "FHIRDRAIN_KEY_FILE", ""),
    Setting("key_id", "FHIRDRAIN_KEY_ID", ""),
    Setting("scope", "FHIRDRAIN_SCOPE", ""),
    Setting("token_url", "FHIRDRAIN_TOKEN_URL", ""),
    Setting("authorities", "FHIRDRAIN_AUTHORITIES", ""),
    Setting("certificate", "FHIRDRAIN_CERTIFICATE", ""),
    Setting("certificate_key", "FHIRDRAIN_CERTIFICATE_KEY", ""),
    Setting("destination", "FHIRDRAIN_DESTINATION", "destination"),
    Setting("language", "FHIRDRAIN_LANGUAGE", "language"),
    Setting("per_second", "FHIRDRAIN_PER_SECOND", "per_second"),
    Setting("at_once", "FHIRDRAIN_AT_ONCE", "at_once"),
)
_PATHS = (
    "site", "store", "token_file", "client_secret_file", "key_file", "authorities", "certificate",
    "certificate_key",
)  # fmt: skip


def settings_file() -> tuple[Path, bool]:
    """Return the file of settings, and whether the environment names it."""
    named = os.environ.get(FILE)
    if named:
        return Path(named).expanduser(), True
    home = os.environ.get("XDG_CONFIG_HOME") or str(Path("~/.config").expanduser())
    return Path(home) / "fhirdrain" / "settings.toml", False


def settings_in_file() -> Mapping[str, str]:
    """Return what the file of settings says; raises `ConfigurationError`."""
    path, named = settings_file()
    if not named and not path.is_file():
        return {}
    return _read(path)


@cache
def _read(path: Path) -> Mapping[str, str]:
    try:
        data = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise ConfigurationError(
            f"the settings cannot be read: {error.strerror}", place=str(path)
        ) from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ConfigurationError(f"not valid TOML: {error}", place=str(path)) from None
    known = [setting.name for setting in SETTINGS]
    destinations = data.pop("destinations", {})
    if not isinstance(destinations, dict) or not all(
        isinstance(table, dict) for table in destinations.values()
    ):
        raise ConfigurationError(
            "destinations are sections", place=str(path), hint="as [destinations.registry]"
        )
    for name, value in data.items():
        if name in ("token", "secret", "password", "client_secret", "key"):
            file = {"client_secret": "client_secret_file", "key": "key_file"}.get(
                name, "token_file"
            )
            raise ConfigurationError(
                f'"{name}" does not belong into a file of settings',
                place=str(path),
                hint=f"{file} names a file that others cannot read",
            )
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
            hint = f'nearest known: "{near[0]}"' if near else f"known: {', '.join(known)}"
            raise ConfigurationError(f'unknown setting "{name}"', place=str(path), hint=hint)
        number = name in ("per_second", "at_once") and isinstance(value, int | float)
        if not isinstance(value, str) and (not number or isinstance(value, bool)):
            raise ConfigurationError(f'"{name}" must be a text', place=str(path))
    return {  # an empty one says as little as one that is left out
        name: str(Path(value).expanduser()) if name in _PATHS else str(value)
        for name, value in data.items()
        if value
    }


def destination_of(name: str | None) -> Destination | None:
    """Return the form of a destination that the file of settings names; None without a name."""
    from fhirdrain.site.destination import read_destination  # what help has to be had without

    if name is None:
        return None
    path, named = settings_file()
    tables = {}
    if named or path.is_file():
        settings_in_file()  # says what is wrong with it
        tables = tomllib.loads(path.read_text("utf-8")).get("destinations", {})
    if name not in tables:
        near = difflib.get_close_matches(name, tables, n=1, cutoff=0.5)
        raise ConfigurationError(
            f'the settings have no destination "{name}"',
            place=str(path),
            hint=f'nearest: "{near[0]}"' if near else f"a section [destinations.{name}]",
        )
    return read_destination(name, tables[name], str(path))


def with_those_of(destination: Destination | None, extras: Iterable[str]) -> tuple[str, ...]:
    """Return what is sent beside readings: as asked on the line, and by the destination."""
    asked = destination.send if destination is not None else ()
    return tuple(dict.fromkeys((*extras, *asked)))


class Defaults(dict[str, Any]):
    """The file's settings as click's default map, read only when a parameter asks for one.

    A command's name gives the map itself, which is the same for every command.
    """

    def __init__(self, commands: Iterable[str]) -> None:
        super().__init__()
        self._commands = frozenset(commands)

    def get(self, name: str, default: Any = None) -> Any:
        """Return the default of a parameter, or the defaults of a command."""
        if name in self._commands:
            return self
        named = [setting.name for setting in SETTINGS if setting.parameter == name]
        return settings_in_file().get(named[0], default) if named else default

    def __contains__(self, name: object) -> bool:
        return self.get(str(name)) is not None

    def __getitem__(self, name: str) -> Any:
        return self.get(name)


def setting(name: str) -> str | None:
    """Return a setting that is no option of a command: the environment's, else the file's."""
    (one,) = (one for one in SETTINGS if one.name == name)
    return os.environ.get(one.environment) or settings_in_file().get(name)


def in_force() -> list[tuple[str, str, str]]:
    """Return each setting with its value and where it came from, empty where it is not set."""
    said = settings_in_file()
    path, _ = settings_file()
    rows = []
    for setting in SETTINGS:
        value, origin = os.environ.get(setting.environment), setting.environment
        if not value:
            value, origin = said.get(setting.name), str(path)
        rows.append((setting.name, value or "", origin if value else ""))
    return rows


# -- options that several commands share ------------------------------------------------------

_Command = TypeVar("_Command", bound=Callable[..., Any])


def server_option(command: _Command) -> _Command:
    """Add --server."""
    return click.option(
        "--server", required=True, envvar="FHIRDRAIN_SERVER", help="Base URL of the server."
    )(command)


def store_option(help_text: str) -> Callable[[_Command], _Command]:
    """Add --store with a help text."""
    return click.option(
        "--store",
        "store_file",
        envvar="FHIRDRAIN_STORE",
        type=click.Path(path_type=Path),
        help=help_text,
    )


def site_option(command: _Command) -> _Command:
    """Add --site."""
    return click.option(
        "--site",
        "site_file",
        required=True,
        envvar="FHIRDRAIN_SITE",
        type=click.Path(path_type=Path),
        help="The site file (TOML).",
    )(command)


def source_option(help_text: str) -> Callable[[_Command], _Command]:
    """Add --source with a help text."""
    return click.option(
        "--source",
        "source_name",
        envvar="FHIRDRAIN_SOURCE",
        shell_complete=_source_names,
        help=help_text,
    )


def destination_option(command: _Command) -> _Command:
    """Add --destination: the form that is sent."""
    return click.option(
        "--destination",
        envvar="FHIRDRAIN_DESTINATION",
        help="The destination, of those in the settings, whose form is sent.",
    )(command)


def with_option(command: _Command) -> _Command:
    """Add --with: what is sent beside readings."""
    return click.option(
        "--with",
        "extras",
        type=click.Choice(["totals", "rates"]),
        multiple=True,
        help="Send what is worked out of shifts and days, or of intervals, too.",
    )(command)


def show_values_option(
    help_text: str = "Show values in messages. They are patients'.",
) -> Callable[[_Command], _Command]:
    """Add --show-values."""
    return click.option("--show-values", is_flag=True, help=help_text)


def _source_names(context: click.Context, _: click.Parameter, begun: str) -> list[str]:
    """Return the sources of the site file for a shell's completion."""
    from fhirdrain.site import load_site  # what help has to be had without

    try:
        path = context.params.get("site_file") or settings_in_file().get("site")
        names = list(load_site(Path(path)).sources) if path else []
    except FhirdrainError:
        return []
    return [name for name in names if name.startswith(begun)]


def example(*lines: str) -> str:
    """Return the epilog of a command: an example, its lines as they are."""
    return "\b\nExample:\n" + "\n".join(f"  {line}" for line in lines)
