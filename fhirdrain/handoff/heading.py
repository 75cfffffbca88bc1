"""The head of a sheet: whose it is, as known when, from what."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from fhirdrain.handoff.language import Language, shown_text
from fhirdrain.handoff.sheet import Sheet


@dataclass(frozen=True, slots=True)
class Heading:
    """What stands above the drains, in words: label and text of each fact, the notes, cautions."""

    facts: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]


def heading_of(sheet: Sheet, language: Language) -> Heading:
    """Return the head of a sheet in words."""
    bed, text = sheet.bed, language.text
    zone = bed.settings.zone
    if isinstance(zone, ZoneInfo):
        zone_name = f"{zone.key} ({language.offset(bed.at)})"
    else:
        zone_name = text("zone-of-readings").format(offset=language.offset(bed.at))
    newest = text("none") if bed.newest is None else language.time(bed.newest)
    stays = ", ".join(shown_text(stay) for stay in bed.encounters)
    shift = bed.shift
    window = f"{language.time(shift.window.start)} {text('to')} {language.time(shift.window.end)}"
    if shift.runs:
        window = f"{window}, {text('shift-runs')}"
    facts = [
        (text("patient"), shown_text(bed.patient)),
        *([(text("stay"), stays)] if stays else []),
        (text("as-known"), language.long_time(bed.at)),
        (text("zone"), zone_name),
        (text("newest"), newest),
        (text("shift"), f"{window} ({language.show(shift.window.hours)})"),
        (text("last-handoff"), language.time(bed.last)),
    ]
    return Heading(
        tuple(facts),
        tuple(language.say(note) for note in sheet.notes),
        tuple(language.cautions(language.clock(bed.at))),
    )
