"""HL7 v2 to FHIR: the rows of the published mapping tables that matter here, and rules of ours.

HL7, "V2-to-FHIR" (the concept maps of OBX-11 and OBX-2, tables 0085 and 0125) and IHE's device
profile as its point-of-care device guide maps PCD-01. Where they have no row, the rule is this
project's own, and said to be.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple

from fhirdrain.vocabulary.codes import LOINC, MDC, SNOMED

CANCELLED = "cancelled"


class ResultStatus(NamedTuple):
    """What OBX-11 says: the status, why there is no value, whether it is noted as it came.

    `ours` marks rows that the published table does not have.
    """

    status: str
    absent: str | None = None
    noted: bool = False
    ours: bool = False


# OBX-11, table 0085.
RESULT_STATUS: Mapping[str, ResultStatus] = {
    "A": ResultStatus("amended"),
    "C": ResultStatus("corrected"),
    "D": ResultStatus("entered-in-error"),
    "F": ResultStatus("final"),
    "P": ResultStatus("preliminary"),
    "W": ResultStatus("entered-in-error"),
    "X": ResultStatus(CANCELLED, absent="unable"),
    # Published as "not asked" and without a status, which FHIR demands: final is ours.
    "N": ResultStatus("final", absent="not_asked", ours=True),
    "B": ResultStatus("amended", noted=True, ours=True),
    "I": ResultStatus("registered", ours=True),
    "O": ResultStatus("registered", ours=True),
    "R": ResultStatus("preliminary", ours=True),
    "S": ResultStatus("preliminary", ours=True),
    "U": ResultStatus("final", ours=True),
    "V": ResultStatus("final", noted=True, ours=True),
}


class DeviceMark(NamedTuple):
    """What follows of what a device says of a measurement in OBX-8; OBX-11 has its status."""

    absent: str | None = None
    test: bool = False


# OBX-8 of device feeds. That a mark without a reason of its own is noted is a rule of ours.
DEVICE_MARKS: Mapping[str, DeviceMark] = {
    "INV": DeviceMark(absent="error"),
    "QUES": DeviceMark(),
    "NAV": DeviceMark(absent="temp_unknown"),
    "CAL": DeviceMark(),
    "TEST": DeviceMark(test=True),
    "DEMO": DeviceMark(test=True),
    "VAL": DeviceMark(),
    "EARLY": DeviceMark(),
    "BUSY": DeviceMark(absent="temp_unknown"),
    "OFF": DeviceMark(absent="not_done"),
    "ALACT": DeviceMark(),
    "ALINH": DeviceMark(),
}


class ValueType(NamedTuple):
    """What OBX-2 says: the value[x] that is published for it, and how it is read here.

    Empty where it is refused: no observable of a drain is a range, a period or a time of day.
    """

    target: str
    read: Literal["number", "code", "text", "time", ""]


# OBX-2, table 0125. A text with a unit ("20 cm") is read by the site file.
VALUE_TYPES: Mapping[str, ValueType] = {
    "NM": ValueType("Quantity", "number"),
    "SN": ValueType("Quantity", "number"),
    "CE": ValueType("CodeableConcept", "code"),
    "CF": ValueType("CodeableConcept", "code"),
    "CNE": ValueType("CodeableConcept", "code"),
    "CWE": ValueType("CodeableConcept", "code"),
    "IS": ValueType("CodeableConcept", "code"),
    "ST": ValueType("string", "text"),
    "TX": ValueType("string", "text"),
    "FT": ValueType("string", "text"),
    "DT": ValueType("dateTime", "time"),
    "DTM": ValueType("dateTime", "time"),
    "TS": ValueType("dateTime", "time"),
    "TM": ValueType("time", ""),
    "DR": ValueType("Period", ""),
    "NR": ValueType("Range", ""),
}

# Table 0396, as OBX-3.3 and OBX-6.3 name code systems.
CODE_SYSTEMS: Mapping[str, str] = {"LN": LOINC, "SCT": SNOMED, "MDC": MDC}

# Units of ISO/IEEE 11073-10101, by code and by reference id (seen in published device messages).
MDC_UNITS: Mapping[str, str] = {
    "263762": "mL",
    "MDC_DIM_MILLI_L": "mL",
    "265266": "mL/h",
    "MDC_DIM_MILLI_L_PER_HR": "mL/h",
    "265234": "mL/min",
    "MDC_DIM_MILLI_L_PER_MIN": "mL/min",
    "265216": "L/min",
    "MDC_DIM_L_PER_MIN": "L/min",
    "266048": "cm[H2O]",
    "MDC_DIM_CM_H2O": "cm[H2O]",
    "265987": "kPa",
    "MDC_DIM_KILO_PASCAL": "kPa",
    "266016": "mm[Hg]",
    "MDC_DIM_MMHG": "mm[Hg]",
    "266098": "mbar",
    "MDC_DIM_MILLI_BAR": "mbar",
}
