"""From a picture of waveforms to a Recording: opened, straightened, traced, calibrated, with the doubt of each sample."""
