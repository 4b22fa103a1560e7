"""A balance with a fuel of one's own, and lambda as its air-fuel ratio: custom_fuel.py SESSION LOG."""

import sys

import mixmon

fuel = mixmon.blend({"gasoline": 0.6, "ethanol": 0.3, "toluene": 0.1}, name="race blend")
session = mixmon.with_fuel(mixmon.load_session(sys.argv[1]), fuel)
for cell in mixmon.balance(mixmon.read_run(session, sys.argv[2])).whole_engine:
    ratio = mixmon.lambda_to_afr(cell.lam, fuel)
    print(f"{cell.rpm:.0f} 1/min, load {cell.load:g}: lambda {cell.lam:.3f}, air-fuel ratio {ratio:.2f}")
