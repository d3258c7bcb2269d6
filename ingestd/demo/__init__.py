"""An invented waterworks: people, samples and simulated photometers around the real service."""
