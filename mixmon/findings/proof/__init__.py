"""Proof: two runs compared cell by cell: what changed, what is shown to be the same, whether trims took."""
