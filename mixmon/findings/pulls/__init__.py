"""Pulls: sweeps at full load, their quality, and what every cylinder needed by band of speed."""
