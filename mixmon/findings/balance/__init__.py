"""Balance: what every cylinder needs, how sure that is, and the trims that follow."""
