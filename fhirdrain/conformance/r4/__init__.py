"""The R4 base definitions as data (`definitions.json`), and the script that makes them."""
