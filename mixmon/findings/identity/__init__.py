"""Identity: which cylinder each label sees, shown by fuel steps of known cylinders."""
