"""The R4 base definitions as data (`definitions.txt`, `constraints.txt`), and what makes them."""
