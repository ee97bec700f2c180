"""What people and other programs see of the running service, over HTTP. Asks only the `House` of `service.model`."""
