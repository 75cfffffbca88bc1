"""Work dealt out to processes or to a cluster, of which what is done is kept until all of it is.

Knows no drains and no FHIR: pieces of work are functions of a job and a number that write one file
each. May import only `errors`.
"""

from fhirdrain.spread.dealing import Deal, deal
from fhirdrain.spread.spreading import Spreading
from fhirdrain.spread.work import Work, piece, placing, refuse_other, writing
from fhirdrain.spread.workers import Workers

__all__ = [
    "Deal",
    "Spreading",
    "Work",
    "Workers",
    "deal",
    "piece",
    "placing",
    "refuse_other",
    "writing",
]
