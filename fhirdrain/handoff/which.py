"""Which drain it is: side and space, since when and why, size, mark at the skin, joined tubes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from fhirdrain.bedside.joins import Join
from fhirdrain.bedside.places import Place
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.saying import Saying, Word, say
from fhirdrain.handoff.bed import Watched
from fhirdrain.handoff.lines import Line, look, noted, plain, quiet


@dataclass(frozen=True, slots=True)
class Which:
    """Who a drain is. `sides` are those that readings gave it, where they are not of one mind.
    `awaited` is one of which only an order to come is known.
    """

    place: Place
    first: datetime | None
    placed: Reading | None
    removed: Reading | None
    size: Decimal | None
    indication: str | None
    skin_mark: Reading | None
    joined: tuple[tuple[Join, str], ...]
    led: tuple[tuple[Join, str], ...]
    sides: tuple[Reading, ...]
    awaited: bool


def find_which(drain: Watched) -> Which:
    """Return who a drain is."""
    placed = next(iter(drain.all("placed")), None)
    parts = placed.parts if placed is not None else {}
    size = parts.get("size")
    indication = parts.get("indication")
    stated = drain.settings.drain(drain.name).side
    sites = [r for r in drain.all("drain-site") if "side" in r.parts]
    sides = {str(r.parts["side"]) for r in sites} | ({stated} - {"unknown"})
    return Which(
        drain.place,
        drain.ledger.since,
        placed,
        drain.last("removed"),
        size if isinstance(size, Decimal) else None,
        (str(indication).strip() or None) if indication is not None else None,
        drain.last("skin-mark"),
        tuple((join, name) for join, name in drain.joined if join.holds(drain.at)),
        tuple((join, name) for join, name in drain.led if join.holds(drain.at)),
        tuple(sites) if len(sides) > 1 else (),
        drain.ledger.since is not None and drain.ledger.since > drain.at,
    )


def title_of(drain: Watched) -> Saying:
    """Return the drain's side in full, its space, and its name."""
    return say(
        "title" if drain.episode == 1 else "title-of-episode",
        side=Word("drain-site", drain.place.side, "side-in-full"),
        space=Word("drain-site", drain.place.space, "space"),
        name=drain.name,
        episode=drain.episode,
    )


def which_lines(which: Which) -> list[Line]:
    """Return what is said of who a drain is."""
    lines: list[Line] = []
    missing: list[object] = []
    if which.removed is not None:
        lines.append(
            noted(
                plain("out-since", time=which.removed.time, how=which.removed)
                if which.removed.value is not None
                else plain("out-since-plainly", time=which.removed.time),
                which.removed,
            )
        )
    if which.place.side == "unknown":
        lines.append(look("side-not-known"))
    for site in which.sides:
        side = Word("drain-site", str(site.parts["side"]), "side-in-full")
        lines.append(look("side-charted", side=side, time=site.time))
    if which.place.position is not None and which.place.position.strip():
        lines.append(plain("position", position=which.place.position))
    if which.placed is not None:
        lines.append(noted(plain("placed", time=which.placed.time), which.placed))
    elif which.first is not None and not which.awaited:
        lines.append(plain("here-since", time=which.first))
    if which.indication is not None:
        lines.append(plain("placed-for", indication=which.indication))
    else:
        missing.append(say("why"))
    if which.size is not None:
        lines.append(plain("tube-size", size=which.size))
    else:
        missing.append(say("size"))
    mark = which.skin_mark
    if mark is not None:
        lines.append(plain("skin-mark", mark=mark, time=mark.time))
    else:
        missing.append(Word("", "skin-mark"))
    if missing and which.removed is None:
        lines.append(quiet("which-not-charted", what=tuple(missing)))
    lines += [plain("joined-with", tube=name, time=join.start) for join, name in which.joined]
    lines += [look("led-into", drain=name, time=join.start) for join, name in which.led]
    return lines
