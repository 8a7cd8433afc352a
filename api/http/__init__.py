"""HTTP: the application, its routes, answers, guards and the event stream."""
