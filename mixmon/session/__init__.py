"""What the user declared."""
