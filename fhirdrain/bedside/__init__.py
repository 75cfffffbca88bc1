"""The drain itself: readings, what follows by arithmetic, and what a person should look at.

Knows no files and no FHIR. May import only `errors`, `issues` and `vocabulary`.
"""
