"""A small FHIR R4 server on loopback with SQLite, for trying and testing.

May import `errors`, `issues`, `vocabulary` and `conformance`. It refuses what breaks
base R4 and never judges what only our profiles say.
"""
