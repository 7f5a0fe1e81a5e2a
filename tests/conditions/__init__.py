"""Virtual patients with and without troubles of lung, circuit and sensors, for kinds that rest on more than efforts."""
