"""The one door: messages from the broker, and people's requests, in the order in which they came."""
