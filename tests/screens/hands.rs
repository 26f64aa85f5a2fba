//! What keys, pedals and bar codes do: above all what they do not do to a run.
