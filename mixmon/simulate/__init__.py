"""An engine, its exhaust, its sensors and its buses, with the truth known.

The way of the data: `load` reads a scenario (`scenario`) from TOML; `world` lays it out in time (`timeline`)
and over the engine's map (`operating`); `engine` burns its cycles and says what the engine control says;
`sensor` and `health` are the sensors and their controllers; `layers` puts what they say into messages and
onto buses; `simulation` plays it all in pieces, and `feed` in real time. `truth` says what an analysis
should find.

Nothing of the analysis is used here: the simulator has its own lag, its own mean of lambda, its own needs.

    >>> from mixmon.simulate.load import load_scenario
    >>> from mixmon.simulate.simulation import simulate
    >>> simulation = simulate(load_scenario("plain", cylinders=4), seed=1, duration=2)
    >>> sum(len(block) for block in simulation) > 1000
    True
"""
