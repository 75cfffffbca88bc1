"""fhirdrain map"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import click

from fhirdrain.cli.map_report import say_report
from fhirdrain.cli.output import (
    Progress,
    output,
    output_folder,
    refuse_inside,
    refuse_unwritable,
    say,
)
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
from fhirdrain.cli.spreading import (
    say_begun,
    shards_option,
    spreading_of,
    spreading_options,
)
from fhirdrain.errors import ConfigurationError
from fhirdrain.intake.account import Account
from fhirdrain.intake.rejects import refuse_overwriting
from fhirdrain.packed import Packing, packed, packing_of, plain_name, require
from fhirdrain.resources.bundle import FolderWriter, Writer
from fhirdrain.resources.references import Form
from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.mapping import map_sources, opened_sources
from fhirdrain.street.patient import wanted_of
from fhirdrain.street.sources import files_of, made_from


@click.command(
    "map",
    epilog=example(
        "fhirdrain map rounds.csv --site site.toml --source rounds \\",
        "    --out rounds.json --rejects refused.csv",
    ),
)
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@site_option
@source_option("Which source of the site file the files are.")
@store_option("Keep every version, and what goes out, in this file.")
@click.option(
    "--out",
    default="-",
    show_default=True,
    help="Where the FHIR goes; - is stdout. Into a folder (its name ends in /) it goes as NDJSON,"
    " a file for each type.",
)
@click.option(
    "--as",
    "form",
    type=click.Choice(["transaction", "ndjson", "collection"]),
    show_default="transaction, into a folder ndjson",
    help="What is written.",
)
@click.option(
    "--compress",
    type=click.Choice(["gzip", "zstd"]),
    help="How the files of a folder are packed; that of a file is told by its name (.gz, .zst).",
)
@destination_option
@with_option
@click.option(
    "--rejects",
    type=click.Path(path_type=Path),
    help="Where refused rows go, whole, to be mended and run again.",
)
@click.option(
    "--account",
    "account_file",
    type=click.Path(path_type=Path),
    help="Where it goes what of other sites' FHIR was carried over, changed or lost, a line each.",
)
@spreading_options
@shards_option
@show_values_option()
def command(
    sources: tuple[Path, ...],
    site_file: Path,
    source_name: str | None,
    store_file: Path | None,
    out: str,
    form: Form | None,
    compress: Packing | None,
    destination: str | None,
    extras: tuple[str, ...],
    rejects: Path | None,
    account_file: Path | None,
    workers: int | None,
    cluster: str | None,
    shards: int | None,
    work: Path | None,
    show_values: bool,
) -> None:
    """Turn charted tables, JSON lines and HL7 v2 messages into FHIR.

    Every item is mapped, rejected or set aside, and counted. Exits 1 when rows were rejected. Of a
    folder all files are read; those packed with gzip or Zstandard, too.
    """
    form_asked = destination_of(destination)
    site = replace(load_site(site_file), destination=form_asked)
    extras = with_those_of(form_asked, extras)
    source = site.source(source_name)
    named = sources
    sources = tuple(
        Path(name)
        for name in files_of(map(str, sources), lambda path: True, [site_file, *site.beside])
    )
    into_folder = out != "-" and (out.endswith("/") or Path(out).is_dir())
    if into_folder and form not in (None, "ndjson"):
        raise ConfigurationError("a folder holds NDJSON", place=out, hint="--as ndjson")
    if compress is not None and not into_folder:
        raise ConfigurationError(
            "a file is packed by its name", place=out, hint="a name that ends in .gz or .zst"
        )
    require(compress or packing_of(out))
    form = "ndjson" if into_folder else form or "transaction"
    rejects = rejects or free_rejects(out, Path(plain_name(sources[0].name)).suffix)
    files = [Path(out)] if out != "-" and not into_folder else []
    given = [site_file, *([store_file] if store_file else [])]
    if account_file is not None and source.kind != "fhir":
        raise ConfigurationError("only of a fhir source is there an account, element by element")
    if out == "-" and account_file == Path("-"):
        raise ConfigurationError("the FHIR and the account cannot both go to standard output")
    accounts = [account_file] if account_file is not None else []
    refuse_overwriting([rejects, *files, *accounts], [*sources, *given])
    written = [rejects, *accounts, *([Path(out)] if out != "-" else [])]
    refuse_inside(named, [*written, *([store_file] if store_file else [])])
    if into_folder:
        refuse_inside([Path(out)], [rejects, *accounts])
    with ExitStack() as stack:
        wanted = wanted_of(extras, site)
        store = stack.enter_context(Store(store_file, site.id)) if store_file else None
        if store is not None and (asked := store.want(extras)) != set(extras):
            before = ", ".join(sorted(asked - set(extras)))
            say(f"{before}: sent too, since an earlier run into this store asked for them")
            wanted = wanted_of(sorted(asked), site)
        spreading = spreading_of(stack, workers, cluster, work, out, shards)
        if spreading is not None:
            if store is not None or account_file is not None:
                raise ConfigurationError(
                    "a store and an account are written by one process alone",
                    hint="leave out --workers and --cluster",
                )
            refuse_inside([spreading.folder], [*written, *given, *sources])
            refuse_inside(named, [spreading.folder])
            refuse_unwritable(out, into_folder=into_folder)
        account = None
        if account_file is not None:
            stream = stack.enter_context(output(str(account_file)))
            packing = packing_of(account_file.name)
            account = Account(stack.enter_context(packed(stream, packing))).write
        protected = [*given, *files, *accounts]
        if spreading is None:
            writer = _writer(stack, out, form, sources, into_folder, compress)
            report = map_sources(
                sources,
                site,
                source,
                writer,
                rejects=rejects,
                store=store,
                progress=stack.enter_context(Progress(out)),
                wanted=wanted,
                protected=protected,
                account=account,
            )
        else:
            from fhirdrain.street.mapping_spread import MapSpread

            run = MapSpread(
                opened_sources(sources, source, site), site_file.absolute(), site, source,
                form, into_folder, wanted, spreading,
            )  # fmt: skip
            # It is there until what is written has its name.
            begun = stack.enter_context(run.work())
            say_begun(begun)
            report = run.map(
                begun,
                lambda: _writer(stack, out, form, sources, into_folder, compress),
                rejects=rejects,
                progress=stack.enter_context(Progress(out)),
                protected=protected,
            )
    say_report(report, site, stored=store is not None, show_values=show_values)
    sys.exit(1 if report.rejected else 0)


def _writer(
    stack: ExitStack,
    out: str,
    form: Form,
    sources: Sequence[Path],
    into_folder: bool,
    compress: Packing | None,
) -> Writer:
    """Return what writes to a file, to a folder or to standard output."""
    if into_folder:
        folder = stack.enter_context(output_folder(out))
        return FolderWriter(folder, compress, made_from(sources))
    stream = stack.enter_context(output(out))
    return Writer(stack.enter_context(packed(stream, packing_of(out))), form)


def free_rejects(out: str, suffix: str) -> Path:
    """Return a rejects file beside the output that does not overwrite an earlier one.

    Beside a terminal, a pipe or /dev/null there is no place for it: then it is in this folder.
    """
    path = Path(plain_name(out))
    beside = out != "-" and (not Path(out).exists() or Path(out).is_file() or Path(out).is_dir())
    stem = path.with_suffix("") if beside else Path("fhirdrain")
    path = stem.with_name(f"{stem.name}.rejects{suffix}")
    number = 1
    while path.exists():
        number += 1
        path = stem.with_name(f"{stem.name}.rejects-{number}{suffix}")
    return path
