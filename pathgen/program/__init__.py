"""The program: moves in sequence, written as text and checked block by block."""
