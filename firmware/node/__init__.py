"""The sensor node: samples, keeps every sample on flash until the collector has stored it, and sends it."""

VERSION = "1.0"
