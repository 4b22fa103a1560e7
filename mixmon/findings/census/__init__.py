"""Census: who is on the bus, how often, with what gaps, and where the wiring is broken."""
