"""The deposit: what beads become, as array functions that know no program."""
