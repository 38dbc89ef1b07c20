"""Print time and throughput of extrusion printers under motion limits."""

__version__ = "0.1.0"
