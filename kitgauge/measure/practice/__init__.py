"""A practice series: what changed from frame to frame, place by place."""
