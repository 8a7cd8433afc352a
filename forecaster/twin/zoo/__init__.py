"""A zoo of devices: houses of known truth that report through what people own, and what goes wrong with it.

A row is some sensors, a gauge and faults that compose; `zoo_case(row, seed)` gives its messages with the truth beside.
"""
