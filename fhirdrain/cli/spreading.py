"""The options of commands whose work can be dealt out, and what they come to."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from fhirdrain.cli.output import say
from fhirdrain.errors import ConfigurationError

if TYPE_CHECKING:
    from fhirdrain.spread import Spreading, Work

_Command = TypeVar("_Command", bound=Callable[..., Any])


def spreading_options(command: _Command) -> _Command:
    """Add --workers, --cluster and --work."""
    for option in (
        click.option(
            "--work",
            type=click.Path(path_type=Path),
            help="Where what is done is kept, so that a run that was stopped goes on from there;"
            " for a cluster, a folder that all of it sees. It holds patients' data.",
        ),
        click.option(
            "--cluster",
            metavar="ADDRESS",
            help="Deal the work out to a Dask cluster: the address of its scheduler.",
        ),
        click.option(
            "--workers",
            type=click.IntRange(1, 1024),
            metavar="N",
            help="Deal the work out to so many processes of this machine.",
        ),
    ):
        command = option(command)
    return command


def shards_option(command: _Command) -> _Command:
    """Add --shards."""
    return click.option(
        "--shards",
        type=click.IntRange(1, 250),
        help="Into how many shards the patients are dealt; what is written is the same.",
    )(command)


def spreading_of(
    stack: ExitStack,
    workers: int | None,
    cluster: str | None,
    work: Path | None,
    beside: str,
    shards: int | None = None,
) -> Spreading | None:
    """Return how the work is dealt out, None when it is not.

    Without `work` it is kept beside the file that is written, or, when there is none (`beside` is
    "-"), in a private folder that goes when the run ends. Raises `ConfigurationError` for what
    does not go together, `UnreachableError` for a cluster that does not answer.
    """
    if workers is None and cluster is None:
        if shards is not None or work is not None:
            raise ConfigurationError(
                "only work that is dealt out is kept in shards", hint="--workers or --cluster"
            )
        return None
    if workers is not None and cluster is not None:
        raise ConfigurationError(
            "either processes of this machine or a cluster does the work",
            hint="a cluster's workers are those it was started with",
        )
    from fhirdrain.spread import Spreading, Workers  # what a single process does without

    by = Workers.of(workers, cluster)
    if work is None and (beside == "-" or (Path(beside).exists() and not _is_kept(beside))):
        if cluster is not None:
            raise ConfigurationError(
                "a cluster needs a folder that all of it sees", hint="name one with --work"
            )
        private = stack.enter_context(tempfile.TemporaryDirectory(prefix="fhirdrain-"))
        work = Path(private) / "work"
    folder = work or Path(f"{beside.rstrip('/')}.work")
    return Spreading(by, folder if cluster is None else folder.absolute(), shards)


def _is_kept(name: str) -> bool:
    """Tell whether something is a file or a folder, and not a pipe, a terminal or /dev/null."""
    return Path(name).is_file() or Path(name).is_dir()


def say_begun(work: Work) -> None:
    """Say what an earlier run has done of the work, or that it was another one's."""
    if work.begun_anew:
        say(f"what was kept in {work.folder} was of another run: begun anew")
    elif work.done:
        say(f"{len(work.done)} pieces of work are done already, in {work.folder}")
