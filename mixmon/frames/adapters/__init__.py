"""Adapters: live buses, opened, read, stamped and merged."""
