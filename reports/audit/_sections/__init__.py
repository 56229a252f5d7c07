"""The parts of an audit, one module each: figures in, words and pictures out."""
