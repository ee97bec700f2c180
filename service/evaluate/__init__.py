"""Feeds the rules, collector by collector, and keeps nothing that is not in the ledger."""
