"""Run the command as `python -m fhirdrain`."""

from fhirdrain.cli.main import main

main()
