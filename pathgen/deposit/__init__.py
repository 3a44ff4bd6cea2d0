"""Models of the deposit, as array functions that need no program, moves or machine."""
