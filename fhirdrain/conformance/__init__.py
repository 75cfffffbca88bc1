"""Holding FHIR JSON against what it must be: raw text, R4 structure, what a drain must obey.

May import only `errors`, `issues`, `packed` and `vocabulary`. `check.py` is the way in; `walk.py`
alone walks a resource and owns its paths; a module under `rules` is one kind of rule.
"""

from fhirdrain.conformance.check import check_bytes, check_file, check_resource, check_stream
from fhirdrain.conformance.checker import Checker, Options

__all__ = ["Checker", "Options", "check_bytes", "check_file", "check_resource", "check_stream"]
