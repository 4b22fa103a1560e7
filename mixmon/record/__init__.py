"""Runs on disk."""
