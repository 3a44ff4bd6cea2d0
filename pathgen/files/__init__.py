"""Files: input files, output files that appear only when complete, and CSV files filled in by people."""
