"""The long record as pandas data frames: for studies, for exports, and for whoever has questions of their own.

    from forecaster.record.reader import Record

    record = Record(site, store, ledger)
    record.runs(start_ms, end_ms)  # a DataFrame: UTC index, one typed column a fact, the unit in its name

Only here and in `forecaster.health` are pandas and statsmodels imported, and never by the running service: studies
run in a child process, and so does an export asked for over HTTP.
"""
