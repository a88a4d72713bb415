//! Pictures of a case: exact, rays, difference.

use barwright_report::{FieldPair, Palette, field_pair};

use super::Picture;
use super::cases::{Aim, Case};
use super::fields::{FLOOR_DB, Fields};
use super::figures;

/// Cases worth a picture: one of each bar's shear beams and one longitudinal beam, centred.
pub fn wanted(case: &Case) -> bool {
    let centred = case.centre == barwright_wave::Point::default();
    centred
        && match (case.aim, case.face) {
            (Aim::Shear45, super::cases::Face::Concave) => true,
            (Aim::Halfway, super::cases::Face::Flat) => case.diameter_m == 0.060,
            _ => false,
        }
}

/// Draws a case.
pub fn draw(case: &Case, fields: &Fields) -> Picture {
    let size = fields.radii_m.len() * fields.angles;
    let (mut exact, mut rays) = (vec![None; size], vec![None; size]);
    let (mut compared, mut flagged) = (vec![false; size], vec![false; size]);
    for place in &fields.places {
        exact[place.index] = Some(place.exact_db);
        if let Some(ray) = &place.ray {
            rays[place.index] = Some(ray.level_db);
            flagged[place.index] = !ray.flags.is_empty();
            compared[place.index] = figures::compared(place);
        }
    }
    let title = format!("{}: peak envelope, first passage", case.name());
    let look = Palette { family: "Georgia, serif".to_owned(), ..Palette::paper() };
    let svg = field_pair(
        &FieldPair {
            title: &title,
            names: ["exact", "rays"],
            radius_m: case.radius_m(),
            angles: fields.angles,
            levels_db: [&exact, &rays],
            floor_db: FLOOR_DB,
            compared: &compared,
            flagged: &flagged,
        },
        &look,
    );
    Picture { file: format!("engines-{}.svg", case.slug()), svg }
}
