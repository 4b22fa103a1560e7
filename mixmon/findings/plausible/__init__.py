"""Plausible: whether the signals of a log can be what they are taken for, by the values that they had."""
