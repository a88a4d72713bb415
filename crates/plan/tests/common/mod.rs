//! The documents of the examples, for tests.

use barwright_job::{Order, Rules, Station};

/// Order, station and rules of the demo.
pub fn round() -> (Order, Station, Rules) {
    (
        Order::from_toml(
            "order-round-42.toml",
            include_str!("../../../../examples/order-round-42.toml"),
        )
        .expect("the example order"),
        Station::from_toml(
            "station-line-2.toml",
            include_str!("../../../../examples/station-line-2.toml"),
        )
        .expect("the example station"),
        Rules::from_toml("rules-th-k2.toml", include_str!("../../../../examples/rules-th-k2.toml"))
            .expect("the example rules"),
    )
}

/// Order, station and rules of the measured block.
pub fn block() -> (Order, Station, Rules) {
    (
        Order::from_toml(
            "order-block-50.toml",
            include_str!("../../../../examples/order-block-50.toml"),
        )
        .expect("the example block"),
        Station::from_toml(
            "station-bench-array.toml",
            include_str!("../../../../examples/station-bench-array.toml"),
        )
        .expect("the example bench"),
        Rules::from_toml("rules-block.toml", include_str!("../../../../examples/rules-block.toml"))
            .expect("the example rules"),
    )
}
