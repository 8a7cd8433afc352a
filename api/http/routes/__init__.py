"""One module a group of routes, each with a `router`; api/http/app.py collects every module of this package."""
