"""Before the first outage: will this pack start and carry this pump, for how long, and by which arithmetic.

One idea a module: `motors` tables, `draw` running draw, `pipe` friction, `cord` voltage drop, `starting`, `running`,
`battery` margins, `runtime` hours, `options` the other way round, `answer` the result and its document.
"""
