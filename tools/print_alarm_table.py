"""Print the alarm state table for the documentation, from the code that works by it."""

from mixmon.findings.alarms.states import state_table_markdown

if __name__ == "__main__":
    print(state_table_markdown(), end="")
