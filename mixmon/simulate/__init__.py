"""An engine, its exhaust, its sensors and its buses, with the truth known.

Order of the work: `load` reads a scenario (`scenario`) from TOML; `world` lays it out in time
(`timeline`, `crank`, `steps`) and over the engine's map (`operating`); `charge` is the mixture in
a cylinder, `cylinder` its gas cycle by cycle, `lag` the sensor, `states`, `health` and `node` the
controller, `ecu` the engine's own signals; `layer` or `foreign` put them into messages, `wire`
onto a bus, and `run` plays it all in stretches. `truth` tells what an analysis should find.

    >>> from mixmon.simulate.load import load_scenario
    >>> from mixmon.simulate.simulation import simulate
    >>> simulation = simulate(load_scenario("plain", cylinders=4), seed=1, duration=2)
    >>> sum(len(block) for block in simulation) > 1000
    True
"""
