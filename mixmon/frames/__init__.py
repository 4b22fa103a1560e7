"""What was on the wire."""
