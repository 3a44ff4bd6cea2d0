"""Studies: measurements of many panels in one reproducible table.

Glossary. *Factor*: a job key, the picture, or a named set of keys, with its *levels*. *Design*: the
combinations of levels that are measured. *Case*: one combination, one panel, one row. *Column*: one figure of
a case; `pathgen.study.columns` lists them. *Journal*: the finished rows, saved beside the table until it is
complete.

    study file ─► design ─► cases ─► measurement, here or on a cluster ─► journal ─► table

A study file is data; nothing in it is executed. A row depends only on its case. Therefore the table is the
same byte for byte, no matter which process measured which case, in which order, and how often the study was
stopped.
"""
