"""The plan: everything about panels settled up to their places on the platform."""
