"""Response: dead time and time constant of every sensor, and the delay of every cell."""
