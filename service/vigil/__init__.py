"""The service's watch over itself: is it turning, can it record, who is told when it cannot. Decides no alarm."""
