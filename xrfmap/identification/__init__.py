"""Which elements a summed spectrum holds, with the evidence for each."""
