"""Rolling-origin scores of forecasts, over simulated outages or recorded ones, against baselines and an oracle."""
