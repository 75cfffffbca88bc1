"""Sources to readings: each source item becomes readings, a refusal, or is set aside with a reason.

May import `errors`, `issues`, `vocabulary`, `bedside` and `site`.
"""
