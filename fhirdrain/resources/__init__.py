"""Readings to FHIR R4 resources and back.

May import `errors`, `issues`, `vocabulary`, `exchange`, `conformance`, `bedside` and `site`.
Resources are plain dicts with Decimal numbers; `typed.py` alone knows fhir.resources.
"""
