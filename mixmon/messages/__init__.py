"""What the frames mean."""
