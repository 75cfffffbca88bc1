"""What one hospital means by its columns, codes, words and times, and the figures it decides by.

Reads the two TOML files into `bedside.settings` and into rules that intake applies. May import
`errors`, `issues`, `vocabulary` and `bedside`.
"""

from fhirdrain.site.policy import Policy, load_policy
from fhirdrain.site.rules import Item, Meaning, Site, Source, columns_of
from fhirdrain.site.site import load_site, read_site

__all__ = [
    "Item",
    "Meaning",
    "Policy",
    "Site",
    "Source",
    "columns_of",
    "load_policy",
    "load_site",
    "read_site",
]
