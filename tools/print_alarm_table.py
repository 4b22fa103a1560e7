"""Prints the state table and the kinds of alarm for DEVELOPERS.md, from the code that works by them."""

from mixmon.findings.alarms.states import state_table_markdown
from mixmon.session.alarm_kinds import alarm_kinds_markdown

if __name__ == "__main__":
    print(state_table_markdown())
    print(alarm_kinds_markdown(), end="")
