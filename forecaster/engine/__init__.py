"""One site as a fold: `Engine.update(reading)`, `forecast(now)`, `status(now)`, `snapshot()` and `restore()`.

Parts: buffer (order of arrival), fold (state), accounts, loads, spans, normals (what it counts), models and evidence
(what the models hear), outlook, water, recharge (the forecast), status (what is observed).
"""

from forecaster.engine.core import Engine

__all__ = ["Engine"]
