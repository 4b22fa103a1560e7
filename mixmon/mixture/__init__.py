"""What the cylinders did: rows in time and cylinders."""
