"""What else than fuel could explain the needs, what the data cannot separate, and the next best test."""
