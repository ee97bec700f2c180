"""The sources file: brokers, topics, payload forms and the rules for what comes on them."""
