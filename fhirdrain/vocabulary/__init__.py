"""The words of the house: units, codes and observables, as tables and nothing else.

May import only `errors` and `issues`.
"""
