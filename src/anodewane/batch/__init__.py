"""A folder of photos: planned, judged in parallel, resumed, summed up."""
