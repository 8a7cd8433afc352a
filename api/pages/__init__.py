"""The pages: server-made HTML that says everything important without script, in a look of its own."""
