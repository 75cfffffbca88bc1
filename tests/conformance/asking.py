"""Asks FHIRPath expressions of data, for the tests of the adaptor."""

from __future__ import annotations

import pytest

from fhirdrain.conformance.fhirpath import CannotEvaluate, Surroundings, values

NOWHERE = {"resourceType": "Basic", "code": {"text": "nothing to look at"}}


def around(
    resource=NOWHERE,
    root=None,
    resolve=lambda text: None,
    member_of=lambda value, url: None,
    conforms_to=lambda value, url: None,
):
    return Surroundings(
        resource, resource if root is None else root, resolve, member_of, conforms_to
    )


def ask(expression, focus=NOWHERE, kind=None, surroundings=None):
    """Return what an expression gives, each value with whether it is a truth: 1 is not true."""
    kind = kind or (focus["resourceType"] if isinstance(focus, dict) else "string")
    found = values(expression, focus, kind, surroundings or around(focus))
    return [(isinstance(one, bool), one) for one in found]


def told(*expected):
    """Return values in the form in which `ask` gives them."""
    return [(isinstance(one, bool), one) for one in expected]


def refused(expression, *arguments, **more):
    """Return why an expression was not evaluated; fails where it was."""
    with pytest.raises(CannotEvaluate) as caught:
        ask(expression, *arguments, **more)
    return str(caught.value)


def table(sections):
    """Return the rows of a table by section as parameters, each named by section and expression."""
    return [
        pytest.param(row[0], row[1], id=f"{section}: {row[0]}")
        for section, rows in sections.items()
        for row in rows
    ]
