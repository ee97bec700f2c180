"""The signals over whole histories as arrays: the same answers, worked out another way.

Twins share specifications and words with `rules.signals`, and no decision. They own no state: a history is given whole.
"""
