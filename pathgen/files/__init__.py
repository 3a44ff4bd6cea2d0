"""Files: outputs that appear whole or not at all, and CSV files that people filled in."""
