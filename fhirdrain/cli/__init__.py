"""The commands, one a module. They turn arguments into calls and answers into text; no logic."""
