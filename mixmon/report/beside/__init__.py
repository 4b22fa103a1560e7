"""Tables beside a run, in words."""
