"""Encoders: how the gateways of the simulated plant write their readings, one module for each payload form."""
