"""What a broker says, looked at before anything is configured: findings, and drafts of the sources and plant files.

Pure: messages come as arguments, drafts go out as texts. Must never publish, write, read a clock, or turn a likely unit
into one that is in force.
"""
