"""Cylinder-by-cylinder mixture from a chain of wideband oxygen sensors."""
