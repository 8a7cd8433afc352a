"""The edges that bring readings in: settings, payloads, the broker session, the stores."""
