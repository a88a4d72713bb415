//! Record batches as clients send them. Truth: what was put in, and the documented schema.

use std::sync::Arc;

use arrow::array::{
    ArrayRef, FixedSizeListArray, Float32Array, Float64Array, Int8Array, Int16Array, Int32Array,
    RecordBatch, UInt32Array, UInt64Array,
};
use arrow::datatypes::{DataType, Field};
use barwright_capture::wire::{bar_name, schema};
use barwright_capture::{Announcement, CaptureError, Samples, WireBatch};

fn list(kind: DataType, n: i32, values: ArrayRef) -> ArrayRef {
    let item = Arc::new(Field::new("item", kind, false));
    Arc::new(FixedSizeListArray::new(item, n, values, None))
}

fn columns(ascan: ArrayRef) -> Vec<(&'static str, ArrayRef)> {
    vec![
        ("shot", Arc::new(UInt64Array::from(vec![4, 5, 9])) as ArrayRef),
        ("beam", Arc::new(UInt32Array::from(vec![0, 1, 0]))),
        ("time_s", Arc::new(Float64Array::from(vec![0.1, 0.2, 0.3]))),
        ("z_m", Arc::new(Float64Array::from(vec![1.1, 1.2, 1.3]))),
        ("turn_rad", Arc::new(Float32Array::from(vec![0.5, 0.5, 0.5]))),
        ("ascan", ascan),
    ]
}

fn batch(columns: Vec<(&'static str, ArrayRef)>) -> RecordBatch {
    RecordBatch::try_from_iter(columns).expect("a batch")
}

fn wide() -> ArrayRef {
    list(DataType::Int16, 2, Arc::new(Int16Array::from(vec![1, -2, 3, -4, 5, -6])))
}

#[test]
fn shots_come_through_in_all_three_kinds_and_in_part() {
    let wire = WireBatch::new(&batch(columns(wide())), 2).expect("sound");
    assert_eq!((wire.len(), wire.numbers()), (3, &[4, 5, 9][..]));
    let run = wire.run(1..3);
    assert_eq!((run.len(), run.beam, run.z_m), (2, &[1, 0][..], &[1.2, 1.3][..]));
    assert!(matches!(run.samples, Samples::I16(&[3, -4, 5, -6])));
    assert_eq!(run.ascan(1), [5, -6]);
    // A slice of a batch keeps its place in the buffers.
    let sliced = WireBatch::new(&batch(columns(wide())).slice(1, 2), 2).expect("sound");
    assert!(matches!(sliced.run(0..2).samples, Samples::I16(&[3, -4, 5, -6])));
    let narrow = list(DataType::Int8, 1, Arc::new(Int8Array::from(vec![127, -127, 1])));
    let wire = WireBatch::new(&batch(columns(narrow)), 1).expect("sound");
    assert_eq!(wire.run(0..3).ascan(0), [32766]);
    assert!(matches!(wire.run(0..3).samples, Samples::I8(_)));
    let real = list(DataType::Float32, 1, Arc::new(Float32Array::from(vec![0.5, f32::NAN, 3.0])));
    let mut without_turn = columns(real);
    without_turn.remove(4);
    let wire = WireBatch::new(&batch(without_turn), 1).expect("sound");
    assert_eq!(wire.run(0..3).samples.to_i16(0..3), [16383, i16::MAX, i16::MAX]);
    assert_eq!(wire.run(0..3).turn_rad, [0.0; 3]);
}

#[test]
fn the_documented_schema_is_taken() {
    for kind in [DataType::Int8, DataType::Int16, DataType::Float32] {
        let empty = RecordBatch::new_empty(Arc::new(schema(kind, 600)));
        assert!(WireBatch::new(&empty, 600).expect("sound").is_empty());
    }
}

#[test]
fn what_does_not_fit_is_refused_by_name() {
    let refused = |c: Vec<(&'static str, ArrayRef)>, samples| {
        WireBatch::new(&batch(c), samples).expect_err("refused").to_string()
    };
    let mut c = columns(wide());
    c.remove(3);
    assert!(refused(c, 2).contains("z_m (Float64) is needed"));
    let mut c = columns(wide());
    c[1].1 = Arc::new(Int32Array::from(vec![0, 1, 0]));
    assert!(refused(c, 2).contains("beam: the column is Int32, but it must be UInt32"));
    let mut c = columns(wide());
    c[2].1 = Arc::new(Float64Array::from(vec![Some(0.1), None, Some(0.3)]));
    assert!(refused(c, 2).contains("time_s: 1 places are empty"));
    let mut c = columns(wide());
    c[0].1 = Arc::new(UInt64Array::from(vec![4, 4, 9]));
    assert!(refused(c, 2).contains("is 4 after 4"));
    assert!(refused(columns(wide()), 3).contains("the batch has 2, but the technique records 3"));
    let odd = list(DataType::Int32, 1, Arc::new(Int32Array::from(vec![1, 2, 3])));
    assert!(refused(columns(odd), 1).contains("Int8, Int16 or Float32"));
}

#[test]
fn announcements_that_cannot_be_are_refused() {
    let good = r#"{"format": 1, "line": "line 1", "header": {"kind": "production",
        "technique": "t", "level": null, "bar": "BAR", "heat": "H", "length_m": 1.0, "record":
        {"first_sample_s": 0.0, "sample_rate_hz": 5e7, "samples": 8, "full_scale_fsh": 4.0},
        "gains_db": [], "origin": "test"}}"#;
    assert!(Announcement::read(good.as_bytes()).is_ok());
    let bad = [
        good.replace("\"format\": 1", "\"format\": 2"),
        good.replace("\"length_m\": 1.0", "\"length_m\": 0.0"),
        good.replace("\"length_m\": 1.0", "\"length_m\": 1000.0"),
        good.replace("BAR", "../../BAR"),
        good.replace("\"line\"", "\"lime\""),
        String::from("{"),
    ];
    for text in bad {
        let refused = Announcement::read(text.as_bytes()).expect_err("refused");
        assert!(matches!(refused, CaptureError::Impossible { .. }), "{refused}");
    }
    for name in ["", ".hidden", "a/b", "a b", "ä", &"x".repeat(65)] {
        assert!(bar_name(name).is_err(), "{name:?}");
    }
    assert!(bar_name("H80316-07_b.2").is_ok());
}
