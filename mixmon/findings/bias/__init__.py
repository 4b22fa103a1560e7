"""Bias: sensors moved from cylinder to cylinder, so that their own errors part from the cylinders' needs."""
