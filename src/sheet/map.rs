//! The map of a specimen for one run: spots of this run numbered, those used before crossed off, the rest as dots.
//!
//! In:  positions, the spots of the study, the run.
//! Out: an SVG, drawn in mm of paper. Nothing depends on colour: a number in a ring is next, a cross is used, a dot is free.

use std::fmt::Write as _;

use serde_json::{Value, json};

use crate::plan::{Plan, SpotMap, map_size, on_map, spots_of};
use crate::protocol::{Positions, Protocol, Shape, Zone};

/// Width of the widest map on paper, in mm, and height of the highest.
const ROOM: [f64; 2] = [102.0, 46.0];
/// Space around the face for the zero mark and labels, in mm.
const RIM: f64 = 4.0;
/// Runs × spots for which maps are drawn; beyond, sheets would be too large to print.
const MOST_MARKS: usize = 300_000;

const INK: &str = "#14202b";
const QUIET: &str = "#5a6672";

/// The spots of a plan and what was used before each run.
pub(super) struct Maps<'a> {
    positions: &'a Positions,
    spots: SpotMap,
    /// For each run the run before it on the same specimen.
    before: Vec<Option<usize>>,
    /// False where so many maps would make sheets too large; then the places are listed only.
    is_drawn: bool,
}

impl<'a> Maps<'a> {
    /// The spots of a plan; `None` without positions.
    pub(super) fn of(protocol: &'a Protocol, plan: &Plan) -> Option<Self> {
        let positions = protocol.bench.positions.as_ref()?;
        let spots = spots_of(protocol, plan).ok().flatten()?;
        let mut last: Vec<Option<usize>> = Vec::new();
        let mut before = Vec::with_capacity(spots.specimen.len());
        for (index, &specimen) in spots.specimen.iter().enumerate() {
            if last.len() <= specimen {
                last.resize(specimen + 1, None);
            }
            before.push(last[specimen].replace(index));
        }
        Some(Self {
            positions,
            before,
            is_drawn: spots.spots.len().saturating_mul(plan.runs.len()) <= MOST_MARKS,
            spots,
        })
    }

    /// The spots of a run by number, in the order of its readings.
    pub(super) fn numbers(&self, index: usize) -> &[usize] {
        self.spots.of_run.get(index).map_or(&[], Vec::as_slice)
    }

    /// What the first page says of the maps.
    pub(super) fn head(&self) -> Value {
        let p = self.positions;
        json!({
            "shape": p.shape.word(),
            "zero": p.zero,
            "pitch": tenths(p.pitch),
            "edge": if p.edge > 0.0 { tenths(p.edge) } else { String::new() },
            "room": self.spots.spots.len(),
            "zones": p.zones.iter().map(|zone| &zone.name).collect::<Vec<_>>(),
            "how": how(p.shape),
            "coordinates": p.shape.coordinates(),
        })
    }

    /// The face without spots and the places of the spots on it, by number from 1, for whoever draws the marks.
    pub(super) fn face(&self) -> Value {
        let (mut svg, place, scale, _) = face(self.positions);
        svg.push_str("</svg>");
        let hundredths = |value: f64| (value * 100.0).round() / 100.0;
        let spots: Vec<[f64; 2]> = self
            .spots
            .spots
            .iter()
            .map(|spot| {
                let (x, y) = place(spot.at);
                [hundredths(x), hundredths(y)]
            })
            .collect();
        json!({ "svg": svg, "spots": spots, "pitch": hundredths(self.positions.pitch * scale) })
    }

    /// The specimen that a run is made on, counted from 0.
    pub(super) fn specimen(&self, index: usize) -> Option<usize> {
        self.spots.specimen.get(index).copied()
    }

    /// The map of a run, with the places of its spots.
    pub(super) fn run(&self, index: usize) -> Value {
        let next = self.numbers(index);
        let mut used = vec![false; self.spots.spots.len() + 1];
        if self.is_drawn {
            let mut earlier = self.before.get(index).copied().flatten();
            while let Some(run) = earlier {
                self.numbers(run).iter().for_each(|&number| used[number] = true);
                earlier = self.before.get(run).copied().flatten();
            }
        }
        let (svg, width) = if self.is_drawn {
            map(self.positions, &self.spots, &used, next)
        } else {
            (String::new(), 0.0)
        };
        let places: Vec<Value> = next
            .iter()
            .enumerate()
            .filter_map(|(k, number)| {
                let at = self.spots.spots.get(number - 1)?.at;
                Some(json!({ "reading": k + 1, "spot": number, "at": [tenths(at[0]), tenths(at[1])] }))
            })
            .collect();
        json!({ "svg": svg, "width": width, "places": places, "used": used.iter().filter(|used| **used).count() })
    }
}

/// A coordinate to a tenth, which is finer than anybody can mark.
fn tenths(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// How to read the map.
fn how(shape: Shape) -> &'static str {
    match shape {
        Shape::Rectangle { .. } => {
            "seen from above; the wedge is the corner with the zero mark, from which both distances count"
        }
        Shape::Disc { .. } => "seen from above; the wedge is the zero mark, angles run clockwise",
        Shape::Cylinder { .. } => {
            "rolled out: left and right edge are the zero mark, the wedge is its end, and angles run to the right \
             (where the map stands on its side, downwards)"
        }
        Shape::Sphere { .. } => {
            "rolled out: left and right edge run through the zero mark, upper and lower edge are the poles, where places \
             lie closer together than they look"
        }
    }
}

/// A point of the face on the map.
type Place<'a> = Box<dyn Fn([f64; 2]) -> (f64, f64) + 'a>;

/// The map without its spots, not yet closed; where a spot lies on it; its scale and width on paper in mm.
fn face(positions: &Positions) -> (String, Place<'_>, f64, f64) {
    let [wide, high] = map_size(positions.shape);
    // A face much longer than it is wide is turned, so that it lies along the paper.
    let turned = high > 1.4 * wide;
    let (wide, high) = if turned { (high, wide) } else { (wide, high) };
    let scale = (ROOM[0] / wide).min(ROOM[1] / high);
    let place: Place<'_> = Box::new(move |at: [f64; 2]| {
        let [x, y] = on_map(positions.shape, at);
        let (x, y) = if turned { (y, x) } else { (x, y) };
        (RIM + x * scale, RIM + y * scale)
    });
    let (width, height) = (wide * scale + 2.0 * RIM, high * scale + 2.0 * RIM);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width:.2}mm\" height=\"{height:.2}mm\" viewBox=\"0 0 {width:.2} {height:.2}\" \
         font-family=\"IBM Plex Sans, sans-serif\" role=\"img\"><title>Spots of this run on the {}</title>",
        positions.shape.word()
    );
    let (w, h) = (wide * scale, high * scale);
    let is_disc = matches!(positions.shape, Shape::Disc { .. });
    let outline = if is_disc {
        format!(
            "<circle cx=\"{:.2}\" cy=\"{:.2}\" r=\"{:.2}\"",
            RIM + w / 2.0,
            RIM + h / 2.0,
            w / 2.0
        )
    } else {
        format!("<rect x=\"{RIM}\" y=\"{RIM}\" width=\"{w:.2}\" height=\"{h:.2}\"")
    };
    let _ = write!(svg, "{outline} fill=\"#fff\" stroke=\"{INK}\" stroke-width=\".35\"/>");
    for zone in &positions.zones {
        let path = zone_path(positions.shape, zone, &*place);
        let _ = write!(
            svg,
            "<path d=\"{path}\" fill=\"#d9dee2\" stroke=\"{QUIET}\" stroke-width=\".2\" stroke-dasharray=\"1 .6\"/>"
        );
    }
    // The zero mark: a wedge that points at the face.
    let (x, y) = if is_disc {
        (RIM + w / 2.0, RIM)
    } else if turned || matches!(positions.shape, Shape::Rectangle { .. }) {
        (RIM, RIM)
    } else {
        (
            RIM,
            RIM + if matches!(positions.shape, Shape::Sphere { .. }) {
                h / 2.0
            } else {
                0.0
            },
        )
    };
    let _ = if matches!(positions.shape, Shape::Sphere { .. }) {
        write!(svg, "<path d=\"M{x:.2} {y:.2}l-3.2 -1.4v2.8z\" fill=\"{INK}\"/>")
    } else {
        write!(svg, "<path d=\"M{x:.2} {y:.2}l-1.4 -3.2h2.8z\" fill=\"{INK}\"/>")
    };
    (svg, place, scale, width)
}

/// The map of a run as SVG, and its width on paper in mm.
fn map(positions: &Positions, spots: &SpotMap, used: &[bool], next: &[usize]) -> (String, f64) {
    let (mut svg, place, scale, width) = face(positions);
    let pitch = positions.pitch * scale;
    let ring = (pitch * 0.46).clamp(1.5, 2.6);
    let cross = (pitch * 0.28).clamp(0.5, 1.1);
    for spot in &spots.spots {
        let (x, y) = place(spot.at);
        if next.contains(&spot.number) {
            continue;
        }
        let _ = if used.get(spot.number).copied().unwrap_or(false) {
            write!(
                svg,
                "<path d=\"M{:.2} {:.2}l{2:.2} {2:.2}m0 -{2:.2}l-{2:.2} {2:.2}\" stroke=\"{QUIET}\" stroke-width=\".3\" fill=\"none\"/>",
                x - cross,
                y - cross,
                2.0 * cross
            )
        } else {
            write!(svg, "<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\".28\" fill=\"{QUIET}\"/>")
        };
    }
    for (index, number) in next.iter().enumerate() {
        let Some(spot) = spots.spots.get(number - 1) else {
            continue;
        };
        let (x, y) = place(spot.at);
        let text = (index + 1).to_string();
        let size = ring * if text.len() < 2 { 1.55 } else { 1.25 };
        let _ = write!(
            svg,
            "<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"{ring:.2}\" fill=\"#fff\" stroke=\"{INK}\" stroke-width=\".4\"/>\
             <text x=\"{x:.2}\" y=\"{:.2}\" font-size=\"{size:.2}\" font-weight=\"600\" text-anchor=\"middle\" fill=\"{INK}\">{text}</text>",
            y + size * 0.35
        );
    }
    svg.push_str("</svg>");
    (svg, width)
}

/// The outline of a zone, step by step along its four sides.
fn zone_path(shape: Shape, zone: &Zone, place: &dyn Fn([f64; 2]) -> (f64, f64)) -> String {
    let full = match shape {
        Shape::Rectangle { length, width } => [(0.0, length), (0.0, width)],
        Shape::Disc { diameter } => [(0.0, diameter / 2.0), (0.0, 360.0)],
        Shape::Cylinder { length, .. } => [(0.0, length), (0.0, 360.0)],
        Shape::Sphere { .. } => [(-90.0, 90.0), (0.0, 360.0)],
    };
    let clip = |axis: usize, (from, to): (f64, f64)| (from.max(full[axis].0), to.min(full[axis].1));
    let one = clip(0, zone.extent[0].unwrap_or(full[0]));
    let others: Vec<(f64, f64)> = match zone.extent[1] {
        // Through the zero mark: two pieces on a rolled-out face, one on a disc.
        Some((from, to)) if from > to && matches!(shape, Shape::Disc { .. }) => vec![(from - 360.0, to)],
        Some((from, to)) if from > to => vec![(from, 360.0), (0.0, to)],
        Some(extent) => vec![clip(1, extent)],
        None => vec![full[1]],
    };
    let mut path = String::new();
    for other in others {
        let steps = 24;
        let between = |(from, to): (f64, f64), i: usize| from + (to - from) * i as f64 / f64::from(steps);
        let steps = steps as usize;
        let corners = (0..=steps)
            .map(|i| [one.0, between(other, i)])
            .chain((0..=steps).rev().map(|i| [one.1, between(other, i)]));
        for (index, at) in corners.enumerate() {
            let (x, y) = place(at);
            let _ = write!(path, "{}{x:.2} {y:.2}", if index == 0 { 'M' } else { 'L' });
        }
        path.push('Z');
    }
    path
}
