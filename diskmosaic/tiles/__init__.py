"""From a recording to one stacked tile."""
