"""Sessions: what a check of one says, and a new one as a file with comments."""
