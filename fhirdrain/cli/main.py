"""The `fhirdrain` command: its subcommands, loaded only when asked for, and its exit codes."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from importlib import import_module

import click

from fhirdrain import __version__
from fhirdrain.errors import FhirdrainError

COMMANDS: Mapping[str, tuple[str, str]] = {
    "about": ("about", "Show versions and settings, to paste into a report."),
    "check": ("check", "Hold FHIR JSON against R4 and against what a drain's data must obey."),
    "compare": ("compare", "Prove that two places hold the same drains, or list what differs."),
    "draft-site": ("draft_site", "Propose a site file from an item dictionary."),
    "map": ("map", "Turn charted tables into FHIR, with every item accounted for."),
    "outbox": ("outbox", "Show what waits to go out, was refused or is parked."),
    "listen": ("listen", "Take HL7 v2 messages from the wire, keep them, and send them on."),
    "jwks": ("jwks", "Print the public half of the key that we sign in with."),
    "handoff": ("handoff", "Write the sheet for the nurse who takes over."),
    "package": ("package", "Write our profiles as a FHIR package, under a site's own URLs."),
    "post": ("post", "Send a checked bundle to a FHIR server, once."),
    "read": ("read", "Read drains back from a FHIR server."),
    "rebuild": ("rebuild", "Make a lost store anew from what a server holds."),
    "sandbox": ("sandbox", "Serve a small FHIR R4 server on this machine, for trying."),
    "site": ("site", "Check a site file."),
    "survey": ("survey", "Say which codes and units occur, which are wrong, what to write."),
    "tour": ("tour", "Walk the whole street once, on an invented ward, without a network."),
}


class _Commands(click.Group):
    """Imports a subcommand's module only when it runs, so that --help stays quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"fhirdrain.cli.{COMMANDS[cmd_name][0]}_command")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        from difflib import get_close_matches

        if args and args[0] not in COMMANDS:
            near = get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Nearest: {near[0]}." if near else ""
            ctx.fail(f'There is no command "{args[0]}".{hint}')
        return super().resolve_command(ctx, args)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="fhirdrain")
@click.pass_context
def group(context: click.Context) -> None:
    """Chest drain observations: from the bedside to FHIR, checked, delivered once, read back.

    Not a medical device. It never advises treatment; local policy and licensed clinicians decide.
    """
    from fhirdrain.cli.settings import Defaults

    # Help looks defaults up, and must be had when the file that holds them is wrong.
    if not {"-h", "--help"} & set(sys.argv[1:]):
        context.default_map = Defaults(COMMANDS)


def main() -> None:
    """Run the command and exit: 0 done, 1 refused, 2 usage, 3 server, 4 in part, 130 interrupted."""
    code: object
    try:
        code = _run()
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:
        # The reader of our output has gone: there is nobody to tell.
        code = 0
        _let_go_of_stdout()
    except OSError as error:
        click.echo(f"fhirdrain: cannot be written: {error.strerror}", err=True)
        code = 2
        _let_go_of_stdout()
    sys.exit(code if isinstance(code, int) else 0)


def _let_go_of_stdout() -> None:
    """Keep Python from writing once more, at exit, to an output that takes nothing."""
    if sys.stdout is not None:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _run() -> object:
    stdout = sys.stdout
    try:
        return group.main(prog_name="fhirdrain", standalone_mode=False)
    except SystemExit as stop:
        # When the reader of our output has gone, click puts something quiet in place of stdout:
        # there is nobody to be told.
        return stop.code if sys.stdout is stdout else 0
    except FhirdrainError as error:
        click.echo(f"fhirdrain: {error}", err=True)
        return error.exit_code
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.exceptions.Abort, KeyboardInterrupt):
        click.echo("fhirdrain: interrupted", err=True)
        return 130
