"""Rules, one kind a module: structure, primitives, invariants, references, drain observations."""
