"""Run as ``python -m pathgen``."""

from pathgen.cli import main

main()
