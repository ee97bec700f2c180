"""Demo collectors, gateways and a demo mailbox. Meets the service only at the broker."""
