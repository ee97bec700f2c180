"""The room that tells people: which contacts, in which words, over which channel, until it is accepted.

It owns no durable state (the outbox is the ledger's) and must never write to equipment.
"""
