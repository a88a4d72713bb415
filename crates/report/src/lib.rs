//! Papers, drawings and plots.
//!
//! [`mod@ring`], [`mod@margin_map`], [`mod@ribbon`], [`mod@schedule`], [`mod@heights`], [`mod@ascan`], [`mod@lot_cut`], [`mod@second_look`] and [`refbar_drawing`] draw
//! documents as SVG text, for papers and pages alike: colours come from a [`Palette`], state is told
//! by shape and words first. [`papers`] sets them, with tables and words, as PDF; [`diconde`] makes objects for
//! exchange. Equal input gives equal bytes everywhere. Nothing here reads files, clocks or the environment.
#![deny(missing_docs)]

extern crate self as barwright_report;

pub mod ascan;
mod colour_bar;
pub mod diconde;
pub mod field_pair;
pub mod figures;
mod frame;
pub mod heights;
pub mod lot_cut;
pub mod margin_map;
pub mod palette;
pub mod papers;
pub mod places;
mod pod_curve;
pub mod refbar_drawing;
pub mod refbar_dxf;
pub mod ribbon;
pub mod ring;
mod rule_words;
pub mod schedule;
pub mod second_look;
pub mod section_view;
pub mod shade;
mod svg;
pub mod text;
pub mod texts;
pub mod trend;
pub mod unseen;

pub use ascan::{Ascan, ascan};
pub use field_pair::{FieldPair, field_pair};
pub use heights::{Heights, heights};
pub use lot_cut::lot_cut;
pub use margin_map::{Case, Map, margin_map};
pub use palette::{Palette, stylesheet};
pub use papers::{ReportError, cautions};
pub use places::{MapPlace, places};
pub use pod_curve::{pod_curve, pod_signals};
pub use refbar_drawing::reference_bar_drawing;
pub use refbar_dxf::reference_bar_dxf;
pub use ribbon::{Ribbon, ribbon};
pub use ring::{Place, Rays, Ring, Spoke, Spokes, ring};
pub use rule_words::{RuleLine, rule_lines};
pub use schedule::{least_words, schedule};
pub use second_look::second_look;
pub use section_view::section_view;
pub use trend::{Trend, trend};
pub use unseen::{Zone, unseen, unseen_words};
