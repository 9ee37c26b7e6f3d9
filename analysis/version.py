"""The version of the package, which every reduction carries."""

VERSION = "0.1.0"
