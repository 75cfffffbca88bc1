"""Talking to FHIR servers: signing in, sending, and fetching.

Knows no drains. May import only `errors`, `issues` and `vocabulary`.
"""
