"""What others measured, laid beside a run: tables of a dyno or of the engine control, by time."""
