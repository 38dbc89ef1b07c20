"""Jobs that are timed elsewhere: by other processes of this machine, or by the workers of a cluster."""
