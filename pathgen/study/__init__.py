"""Studies: a question asked of many panels, as a table that another person can repeat.

Glossary. *Factor*: a job key, the picture, or a named set of keys, with the *levels* it takes. *Design*:
which combinations of levels are made. *Case*: one combination, one panel, one row. *Column*: one figure of a
case; `pathgen.study.columns` lists them. *Journal*: the rows that are done, kept beside the table while it
grows.

    study file ─► design ─► cases ─► measured, here or on a cluster ─► journal ─► table

A study file is data: nothing in it is run. A row depends on its case alone, so the table is the same byte for
byte whoever measured which case, in whatever order, and however often the study was stopped on the way.
"""
