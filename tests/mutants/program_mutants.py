"""Mutations of programs: what hands, disks, links and careless edits do to a text, as a machine meets it.

The kinds are in the modules `kinds_*`; `HARMFUL` and `HARMLESS` list them by name.
"""

from tests.mutants import kinds_blocks, kinds_header, kinds_lines, kinds_spelling, kinds_wall, kinds_words
from tests.mutants.kinds import HARMFUL, HARMLESS, Kind, Place

__all__ = ["HARMFUL", "HARMLESS", "Kind", "Place"]
MODULES = (kinds_words, kinds_blocks, kinds_lines, kinds_wall, kinds_header, kinds_spelling)
