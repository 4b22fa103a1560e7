"""What burnt gas is: pure functions on floats and arrays."""
