"""Pictures of waveforms drawn from simulated patients, with the truth known; and how well they are read."""
