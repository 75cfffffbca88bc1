"""FHIRPath: the one way to its engine, which is loaded when a first expression is compiled."""

from fhirdrain.conformance.fhirpath.engine import (
    CannotEvaluate,
    Endless,
    Expression,
    Holds,
    Surroundings,
    compiled,
    values,
)

__all__ = ["CannotEvaluate", "Endless", "Expression", "Holds", "Surroundings", "compiled", "values"]
