"""From rows to what a screen sees: `Observer` is a stage that can be looked at at any moment.

It keeps the newest seconds of rows, peaks, a strip of the last twenty seconds, the dwell under
way, and runs the alarms and the balance over the same rows, so that watching and a report at the
end say the same.
"""
