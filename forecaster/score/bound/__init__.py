"""What a forecaster could reach at most from the messages alone, if it knew how the simulated houses are drawn."""
