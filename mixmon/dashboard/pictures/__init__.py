"""Pictures: what a screen shows as lines, bars and shades instead of numbers, as rows of text."""
