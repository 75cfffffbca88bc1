"""Other people's FHIR: what the site file makes of it, and what is changed or lost on the way."""

from fhirdrain.intake.foreign.elements import Handled, PassedOver
from fhirdrain.intake.foreign.resource import ORDERS, READ, Said, finish, read_resource
from fhirdrain.intake.foreign.whose import Others

__all__ = ["ORDERS", "READ", "Handled", "Others", "PassedOver", "Said", "finish", "read_resource"]
