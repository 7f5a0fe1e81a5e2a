"""From a picture of waveforms to a Recording: traced at a fraction of a pixel, with the doubt of each sample."""
