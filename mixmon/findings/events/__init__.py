"""Events: misfires, excursions, cuts, tip-ins, silent and reset nodes."""
