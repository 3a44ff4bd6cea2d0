"""Models of the deposited material: array functions independent of programs and machines."""
