"""Codings and code systems: every code of another body that we send, and our own system.

Names are given only where they were seen in a release of the code system; a coding without a
name goes out without `display`. LOINC and SNOMED CT terms: see NOTICE.
"""

from __future__ import annotations

from dataclasses import dataclass

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
MDC = "urn:iso:std:iso:11073:10101"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"

BASE = "https://fhirdrain.example/fhir"
# A site may re-base profiles and value sets, never this: codes must mean the same everywhere.
LOCAL = f"{BASE}/CodeSystem/drain"


@dataclass(frozen=True, slots=True)
class Coding:
    """A code in a code system, with its name where that was verified."""

    system: str
    code: str
    display: str | None = None

    def to_fhir(self) -> dict[str, str]:
        """Return the FHIR Coding."""
        coding = {"system": self.system, "code": self.code}
        if self.display is not None:
            coding["display"] = self.display
        return coding


def search_token(system: str, value: str) -> str:
    """Return the search token of an identifier, its marks escaped as FHIR asks (R4, "Search")."""
    for mark in "\\,|$":
        value = value.replace(mark, f"\\{mark}")
    return f"{system}|{value}"


def local(code: str, display: str | None = None) -> Coding:
    """Return a coding of our own system."""
    return Coding(LOCAL, code, display)


OUTPUT = Coding(LOINC, "9129-8", "Fluid output chest tube")
OUTPUT_PERICARDIAL = Coding(LOINC, "9168-6", "Fluid output pericardial drain")
OUTPUT_FROM_DRAIN = Coding(SNOMED, "251843005", "Fluid output from drain")
# From devices; what is seen of its name is not its name. Sent only where a destination asks for it.
OUTPUT_MDC = Coding(MDC, "157740")
PLEURAL_PRESSURE = Coding(LOINC, "76252-6", "Pressure Pleural space")
PLEURAL_PRESSURE_MDC = Coding(MDC, "151824", "MDC_PRESS_INTRAPL")
CHEST_DRAIN = Coding(SNOMED, "258643002", "Chest drain")
SUCTION_DRAINAGE = Coding(SNOMED, "274441001", "Suction drainage")
DRAIN_INSERTION = Coding(SNOMED, "264957007", "Insertion of pleural tube drain")
DRAIN_REMOVAL = Coding(SNOMED, "238356005", "Intercostal drain removal")
APPEARANCE = Coding(SNOMED, "396276007", "Fluid appearance")

# Side and space in one code; a resource never carries two sites.
BODY_SITES: dict[tuple[str, str], Coding] = {
    ("left", "pleural"): Coding(SNOMED, "44067009", "Structure of left pleural cavity"),
    ("right", "pleural"): Coding(SNOMED, "73834008", "Structure of right pleural cavity"),
    ("midline", "mediastinal"): Coding(SNOMED, "72410000", "Mediastinal structure"),
    ("unknown", "mediastinal"): Coding(SNOMED, "72410000", "Mediastinal structure"),
    ("midline", "pericardial"): Coding(SNOMED, "25489000", "Pericardial cavity structure"),
    ("unknown", "pericardial"): Coding(SNOMED, "25489000", "Pericardial cavity structure"),
}
