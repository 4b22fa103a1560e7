"""The ledger: what is known of every sensor by its serial, over all runs."""
