"""The street: one module a journey, calling the rooms in order; they never call each other."""
