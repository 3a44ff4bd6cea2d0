"""The program: the sequence of moves, written as G-code block by block and checked."""
