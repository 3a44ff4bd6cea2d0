"""Files: inputs opened once, outputs that appear whole or not at all, and CSV files that people fill in."""
