"""What it means."""
