"""Deliveries: couriers that carry the outbox to hubs and people, one thread a channel, and the outgoing heartbeat."""
