"""The sheet for the nurse who takes over: what to say (`sheet`), in which words, on which page.

`bed` is what a sheet is made from. `which`, `run`, `leak`, `drained`, `unit`, `colour`, `asked` and
`checked` each find the facts of one part of it and say them, without a language; `language` has the
words; `page`, `plain` and `document` are its three forms. May import only `bedside`, `site` and
what is below them.
"""
