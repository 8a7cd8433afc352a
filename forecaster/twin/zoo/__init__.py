"""A collection of device faults: houses of known truth that report through devices as people own and connect them.

A row of it is a set of sensors, a charge gauge and any number of faults. `forecaster.twin.zoo.cases.zoo_case(row,
seed)` gives the messages of a row in one house, and what is true beside them.
"""
