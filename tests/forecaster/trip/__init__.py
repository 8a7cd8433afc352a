"""Tests of the answer before a trip."""
