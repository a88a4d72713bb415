//! The coverage proof: classes, draws, and the margins place by place.

use barwright_job::proof::{ClassProof, Draws, Engine, Proof};
use barwright_phrase::say;
use barwright_report::{MapPlace, places};

use super::{
    Cell, Listed, Made, Rows, Why,
    cell::{mm, percent, word},
    made, need, number, text, truth, whole,
};
use crate::lot::Lot;

pub(super) const ALL: [Listed; 3] = [
    Listed {
        name: "proof_classes",
        row: "flaw class, and once more by rays where these were asked for",
        title: || say!("Flaw classes of the proof"),
        make: classes,
    },
    Listed {
        name: "proof_draws",
        row: "flaw class with drawn deviations",
        title: || say!("Coverage over drawn deviations"),
        make: draws,
    },
    Listed {
        name: "proof_margins",
        row: "place of the section and flaw class",
        title: || say!("Margins of the proof, place by place"),
        make: margins,
    },
];

fn proof(lot: &Lot) -> Result<&Proof, Why> {
    need(&lot.proof, "coverage proof").map(|sealed| &sealed.body)
}

/// A class with the engine that computed it, and whether it is the one that decides.
type Proved<'a> = (&'a ClassProof, Engine, bool);

fn proved(p: &Proof) -> Vec<Proved<'_>> {
    let own = p.classes.iter().map(|c| (c, p.engine, true));
    own.chain(p.by_rays.iter().map(|c| (c, Engine::Ray, false))).collect()
}

fn classes(lot: &Lot) -> Made {
    let rows: Rows<Proved<'_>> = proof(lot).map(proved);
    made(
        rows,
        [
            text("class", "flaw class: disc, crack, inclusion, pipe", |(c, ..)| word(c.class)),
            text("engine", "engine of the fields: exact, ray", |(_, e, _)| word(e)),
            truth("decides", "whether this row decides; else it stands beside", |(.., d)| {
                (*d).into()
            }),
            text("flaw", "the ordered flaw in words", |(c, ..)| (&c.flaw).into()),
            number("ordered_percent", "%", "ordered coverage", |(c, ..)| percent(c.ordered)),
            number("nominal_percent", "%", "covered, everything nominal", |(c, ..)| {
                percent(c.nominal)
            }),
            number("worst_percent", "%", "covered, worst case over the tolerances", |(c, ..)| {
                percent(c.worst)
            }),
            number(
                "doubted_percent",
                "%",
                "where the engine doubts its answer; counts as unseen",
                |(c, ..)| percent(c.doubted),
            ),
            number("weakest_x_mm", "mm", "weakest place, to the right", |(c, ..)| {
                mm(c.weakest.x_m)
            }),
            number("weakest_y_mm", "mm", "weakest place, upwards", |(c, ..)| mm(c.weakest.y_m)),
            number(
                "weakest_margin_db",
                "dB re alarm height",
                "worst margin there; empty where no beam's gate reaches it",
                |(c, ..)| c.weakest.margin_db.into(),
            ),
            text("weakest_cause", "why, in words", |(c, ..)| (&c.weakest.cause).into()),
        ],
    )
}

type Drawn<'a> = (&'a ClassProof, &'a Draws);

fn draws(lot: &Lot) -> Made {
    let rows: Rows<Drawn<'_>> =
        proof(lot).map(|p| p.classes.iter().filter_map(|c| Some((c, c.draws.as_ref()?))).collect());
    made(
        rows,
        [
            text("class", "flaw class", |(c, _)| word(c.class)),
            // A seed may be larger than any whole number of the tables.
            text("seed", "seed of the draws, a whole number", |(_, d)| d.seed.to_string().into()),
            whole("draws", "states of bar and water that were drawn", |(_, d)| d.count.into()),
            number("lowest_percent", "%", "smallest covered share of one draw", |(_, d)| {
                percent(d.lowest)
            }),
            number(
                "low_5_percent",
                "%",
                "covered share that nineteen draws in twenty exceed",
                |(_, d)| percent(d.low_5_percent),
            ),
            number("mean_percent", "%", "mean covered share", |(_, d)| percent(d.mean)),
            text("lowest_words", "the draw that covers least, in words", |(_, d)| {
                (&d.lowest_words).into()
            }),
        ],
    )
}

type Place<'a> = (&'a ClassProof, MapPlace);

fn margins(lot: &Lot) -> Made {
    let rows: Rows<Place<'_>> = proof(lot).and_then(|p| {
        let section = &need(&lot.technique, "technique")?.body.section;
        let places = p.classes.iter().map(|c| (c, places(&c.map, section)));
        let rows = places.flat_map(|(c, list)| list.into_iter().map(move |place| (c, place)));
        Ok(rows.collect())
    });
    made(
        rows,
        [
            text("class", "flaw class", |(c, _)| word(c.class)),
            number("x_mm", "mm", "place, to the right", |(_, p)| mm(p.at.x)),
            number("y_mm", "mm", "place, upwards", |(_, p)| mm(p.at.y)),
            number(
                "nominal_db",
                "dB re alarm height",
                "margin, everything nominal; empty where nothing is seen or computed",
                |(_, p)| single(p.nominal_db),
            ),
            number(
                "worst_db",
                "dB re alarm height",
                "margin, worst case over the tolerances; empty likewise",
                |(_, p)| single(p.worst_db),
            ),
            truth("asked", "whether the order asks for the class there", |(_, p)| p.asked.into()),
        ],
    )
}

/// A number of single precision with the digits that it is written with, not those of its double.
fn single(value: Option<f32>) -> Cell {
    value.and_then(|v| v.to_string().parse::<f64>().ok()).into()
}
