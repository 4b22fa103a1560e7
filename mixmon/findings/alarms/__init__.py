"""Alarms: what is measured, when a condition becomes an alarm, and what state the alarm is in."""
