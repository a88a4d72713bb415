//! From order and station to a technique, its coverage proof and its reference bar
