"""Sizing, before the first outage: whether this pack starts and carries this pump, for how long, and the arithmetic.

`question` is what is asked, and its checks; `answer` is the result and its JSON document; `told` is it as text.

The pump: `motors` has the tables of motor currents, `draw` the running power, `pipe` the friction head.
The parts of the answer: `running`, `starting` with `cord`, `keep_up` with `seasons`, and `verdict` over all of them.
The hours: `battery` has the margins on capacity and `runtime` the hours to the reserve floor.
What would change them: `options` weighs asked changes and other packs, with `panel` for the sun; `helps` proposes some.
"""
