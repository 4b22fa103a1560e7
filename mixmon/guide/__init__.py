"""The guide: what a person reads, and references that are written from the code when they are asked for."""
