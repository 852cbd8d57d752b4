"""What cameras, gyros, floors and light do wrong: found in flight, mended where it can be, said where not."""
