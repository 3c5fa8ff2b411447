"""Charts: a data function, a pure builder of the drawing, and the two put together as a `Chart`."""
