"""Chest drain observations from the bedside to FHIR R4 and back, the arithmetic kept honest."""

__version__ = "0.1.0"

__all__ = ["__version__"]
