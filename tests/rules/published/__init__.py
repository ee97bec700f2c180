"""The rules against facts that others published or that can be worked out apart from them, the source beside each."""
