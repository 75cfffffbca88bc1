"""FHIRPath: the one way to its engine, which is loaded when a first expression is compiled."""

from fhirdrain.conformance.fhirpath.engine import (
    CannotEvaluate,
    Expression,
    Holds,
    Surroundings,
    compiled,
    values,
)

__all__ = ["CannotEvaluate", "Expression", "Holds", "Surroundings", "compiled", "values"]
