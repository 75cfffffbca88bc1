"""The street: one module a journey. It calls the rooms in their order; they do not call each other."""
