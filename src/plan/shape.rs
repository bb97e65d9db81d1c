//! The face of a specimen: where spots fit, how far apart they are, and how a map shows them.
//!
//! In:  a shape with pitch, edge and zones.
//! Out: every spot of its grid, in a fixed order; distances; places on a flat map.
//!
//! Spots stand on rows. Two rows are so far apart, and two spots of a row so far, that no distance is below the pitch;
//! distances are chords, straight through the body, which are never longer than the way along the surface. What is left
//! over is shared out evenly.
//!
//! - Rectangle: rows across; of rows in line and rows set off by half a step the one that holds more spots.
//! - Disc: rings around the middle, which is a ring of its own.
//! - Cylinder: rings around the axis, in line.
//! - Sphere: rings of equal latitude.
//!
//! Spots are numbered from 1 in the order of their angle around the specimen, then along it; on a rectangle along it, then
//! across. Zones take spots out before they are numbered.
//! Method: plain geometry; c = 2R·sin(α/2) for the chord of an angle α.

use std::f64::consts::PI;

use crate::protocol::{Positions, Shape, Zone};

/// Slack of a comparison of lengths, in mm, for rounding.
const SLACK: f64 = 1e-9;

/// A place on a face: its two coordinates as the protocol names them, in mm or degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Number, from 1.
    pub number: usize,
    /// The coordinates that `Shape::coordinates` names.
    pub at: [f64; 2],
}

/// Every spot for which there is room.
#[must_use]
pub fn spots(positions: &Positions) -> Vec<Spot> {
    let mut places: Vec<[f64; 2]> = grid(positions.shape, positions.pitch, positions.edge)
        .into_iter()
        .filter(|at| !positions.zones.iter().any(|zone| holds(zone, positions.shape, *at)))
        .collect();
    let around_first = !matches!(positions.shape, Shape::Rectangle { .. });
    places.sort_by(|a, b| {
        let key = |at: &[f64; 2]| if around_first { [at[1], at[0]] } else { *at };
        let (a, b) = (key(a), key(b));
        a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1]))
    });
    places
        .into_iter()
        .enumerate()
        .map(|(index, at)| Spot { number: index + 1, at })
        .collect()
}

/// How many gaps of at least `gap` fit into a length.
fn gaps(length: f64, gap: f64) -> usize {
    if length < 0.0 {
        0
    } else {
        ((length + SLACK) / gap).floor() as usize
    }
}

/// Places evenly from one end to the other, no two closer than `gap`; one in the middle if there is room for one only.
fn along(from: f64, to: f64, gap: f64) -> Vec<f64> {
    if to - from < -SLACK {
        return Vec::new();
    }
    let count = gaps(to - from, gap);
    if count == 0 {
        return vec![f64::midpoint(from, to)];
    }
    (0..=count)
        .map(|i| from + (to - from) * i as f64 / count as f64)
        .collect()
}

/// Angles evenly around a circle of a radius, no two closer than a chord.
fn around(radius: f64, chord: f64) -> Vec<f64> {
    let half = chord / (2.0 * radius) - SLACK / radius;
    if half > 1.0 || !half.is_finite() {
        return if radius >= 0.0 { vec![0.0] } else { Vec::new() };
    }
    let count = ((PI / half.asin()).floor() as usize).max(1);
    (0..count).map(|i| 360.0 * i as f64 / count as f64).collect()
}

fn grid(shape: Shape, pitch: f64, edge: f64) -> Vec<[f64; 2]> {
    match shape {
        Shape::Rectangle { length, width } => {
            let square = rows_in_line(length, width, pitch, edge);
            let set_off = rows_set_off(length, width, pitch, edge);
            if set_off.len() > square.len() { set_off } else { square }
        }
        Shape::Disc { diameter } => {
            let reach = diameter / 2.0 - edge;
            if reach < -SLACK {
                return Vec::new();
            }
            let rings = gaps(reach, pitch);
            let step = if rings == 0 { 0.0 } else { reach / rings as f64 };
            let mut places = vec![[0.0, 0.0]];
            for ring in 1..=rings {
                let radius = step * ring as f64;
                places.extend(around(radius, pitch).into_iter().map(|angle| [radius, angle]));
            }
            places
        }
        Shape::Cylinder { diameter, length } => along(edge, length - edge, pitch)
            .into_iter()
            .flat_map(|z| around(diameter / 2.0, pitch).into_iter().map(move |angle| [z, angle]))
            .collect(),
        Shape::Sphere { diameter } => {
            let radius = diameter / 2.0;
            let half = pitch / diameter - SLACK / radius;
            if half > 1.0 {
                return vec![[0.0, 0.0]];
            }
            // Rings of latitude one chord apart, the equator among them.
            let step = 2.0 * half.asin();
            let rings = (PI / 2.0 / step + SLACK).floor() as i64;
            (-rings..=rings)
                .flat_map(|ring| {
                    let latitude = ring as f64 * step;
                    let own = radius * latitude.cos();
                    let angles = if own < pitch / 2.0 {
                        vec![0.0]
                    } else {
                        around(own, pitch)
                    };
                    angles.into_iter().map(move |angle| [latitude.to_degrees(), angle])
                })
                .collect()
        }
    }
}

fn rows_in_line(length: f64, width: f64, pitch: f64, edge: f64) -> Vec<[f64; 2]> {
    let across = along(edge, width - edge, pitch);
    along(edge, length - edge, pitch)
        .into_iter()
        .flat_map(|x| across.iter().map(move |&y| [x, y]))
        .collect()
}

/// Rows √3/2 of a pitch apart, every other one set off by half a step.
fn rows_set_off(length: f64, width: f64, pitch: f64, edge: f64) -> Vec<[f64; 2]> {
    let even = along(edge, width - edge, pitch);
    let step = match even.as_slice() {
        [first, second, ..] => second - first,
        _ => return Vec::new(),
    };
    let odd: Vec<f64> = even.windows(2).map(|pair| f64::midpoint(pair[0], pair[1])).collect();
    // Two spots of neighbouring rows are half a step apart across.
    let row = (pitch * pitch - step * step / 4.0).max(0.0).sqrt().max(pitch / 2.0);
    along(edge, length - edge, row)
        .into_iter()
        .enumerate()
        .flat_map(|(index, x)| {
            let ys = if index % 2 == 0 { &even } else { &odd };
            ys.iter().map(move |&y| [x, y])
        })
        .collect()
}

fn holds(zone: &Zone, shape: Shape, at: [f64; 2]) -> bool {
    let names = shape.coordinates();
    (0..2).all(|axis| {
        zone.extent[axis].is_none_or(|(from, to)| {
            let value = at[axis];
            if names[axis] == "around" && from > to {
                value >= from - SLACK || value <= to + SLACK
            } else {
                (from - SLACK..=to + SLACK).contains(&value)
            }
        })
    })
}

/// A place in space, in mm.
#[must_use]
pub fn in_space(shape: Shape, at: [f64; 2]) -> [f64; 3] {
    let turn = at[1].to_radians();
    match shape {
        Shape::Rectangle { .. } => [at[0], at[1], 0.0],
        Shape::Disc { .. } => [at[0] * turn.cos(), at[0] * turn.sin(), 0.0],
        Shape::Cylinder { diameter, .. } => [diameter / 2.0 * turn.cos(), diameter / 2.0 * turn.sin(), at[0]],
        Shape::Sphere { diameter } => {
            let (radius, up) = (diameter / 2.0, at[0].to_radians());
            [
                radius * up.cos() * turn.cos(),
                radius * up.cos() * turn.sin(),
                radius * up.sin(),
            ]
        }
    }
}

/// Width and height of a flat map, in mm of the specimen: the face itself, or a curved one rolled out.
#[must_use]
pub fn map_size(shape: Shape) -> [f64; 2] {
    match shape {
        Shape::Rectangle { length, width } => [length, width],
        Shape::Disc { diameter } => [diameter, diameter],
        Shape::Cylinder { diameter, length } => [PI * diameter, length],
        Shape::Sphere { diameter } => [PI * diameter, PI * diameter / 2.0],
    }
}

/// A place on the map: to the right and down from its upper left corner. The zero mark is at the left, on a disc at the top.
#[must_use]
pub fn on_map(shape: Shape, at: [f64; 2]) -> [f64; 2] {
    let turn = at[1].to_radians();
    match shape {
        Shape::Rectangle { .. } => at,
        Shape::Disc { diameter } => [diameter / 2.0 + at[0] * turn.sin(), diameter / 2.0 - at[0] * turn.cos()],
        Shape::Cylinder { diameter, .. } => [diameter / 2.0 * turn, at[0]],
        Shape::Sphere { diameter } => [diameter / 2.0 * turn, diameter / 2.0 * (PI / 2.0 - at[0].to_radians())],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn positions(shape: Shape, pitch: f64, edge: f64) -> Positions {
        Positions {
            on: 0,
            responses: vec![0],
            shape,
            pitch,
            edge,
            zones: Vec::new(),
            zero: String::new(),
        }
    }

    fn nearest(positions: &Positions) -> f64 {
        let places: Vec<[f64; 3]> = spots(positions)
            .iter()
            .map(|s| in_space(positions.shape, s.at))
            .collect();
        let mut least = f64::INFINITY;
        for (index, a) in places.iter().enumerate() {
            for b in &places[..index] {
                let square: f64 = a.iter().zip(b).map(|(x, y)| (x - y) * (x - y)).sum();
                least = least.min(square.sqrt());
            }
        }
        least
    }

    /// Closed form: a 60 × 36 plate with 12 mm of edge leaves 36 × 12: 7 × 3 spots in line at a pitch of 6. A cylinder of 60
    /// mm holds ⌊180° / asin(6/60)⌋ = 31 spots a ring, and 80 − 24 = 56 mm hold 10 rings.
    #[test]
    fn counts_that_can_be_worked_out() {
        let plate = positions(
            Shape::Rectangle {
                length: 60.0,
                width: 36.0,
            },
            6.0,
            12.0,
        );
        assert_eq!(spots(&plate).len(), 21);
        let roller = positions(
            Shape::Cylinder {
                diameter: 60.0,
                length: 80.0,
            },
            6.0,
            12.0,
        );
        assert_eq!(spots(&roller).len(), 31 * 10);
        let narrow = positions(
            Shape::Rectangle {
                length: 60.0,
                width: 23.0,
            },
            6.0,
            12.0,
        );
        assert_eq!(spots(&narrow).len(), 0, "no room between two edges");
        let strip = positions(
            Shape::Rectangle {
                length: 60.0,
                width: 24.0,
            },
            6.0,
            12.0,
        );
        assert_eq!(spots(&strip).len(), 7);
    }

    /// The one thing that must hold on every shape and size: no two spots closer than the pitch, none near an edge.
    #[test]
    fn no_two_spots_are_closer_than_the_pitch() {
        for size in 0..40 {
            let wide = 25.0 + 3.7 * f64::from(size);
            for pitch in [4.0, 6.0, 7.3] {
                let shapes = [
                    Shape::Rectangle {
                        length: wide,
                        width: wide * 0.7 + 10.0,
                    },
                    Shape::Disc { diameter: wide },
                    Shape::Cylinder {
                        diameter: wide,
                        length: 30.0,
                    },
                    Shape::Sphere { diameter: wide },
                ];
                for shape in shapes {
                    let positions = positions(shape, pitch, 5.0);
                    assert!(nearest(&positions) >= pitch - 1e-6, "{positions:?}");
                    for spot in spots(&positions) {
                        let [a, b] = spot.at;
                        let room = match shape {
                            Shape::Rectangle { length, width } => a.min(length - a).min(b).min(width - b),
                            Shape::Disc { diameter } => diameter / 2.0 - a,
                            Shape::Cylinder { length, .. } => a.min(length - a),
                            Shape::Sphere { .. } => 5.0,
                        };
                        assert!(room >= 5.0 - 1e-6, "{shape:?} {spot:?}");
                    }
                }
            }
        }
    }

    /// A zone takes out what lies in it, and one through the zero mark takes out both sides.
    #[test]
    fn zones_are_left_out() {
        let mut roller = positions(
            Shape::Cylinder {
                diameter: 60.0,
                length: 80.0,
            },
            6.0,
            12.0,
        );
        let all = spots(&roller).len();
        roller.zones.push(Zone {
            name: "parting line".to_owned(),
            extent: [None, Some((350.0, 10.0))],
        });
        let left = spots(&roller);
        assert_eq!(
            left.len(),
            all - 10,
            "one of 31 angles lies within 10 degrees of the mark"
        );
        assert!(left.iter().all(|spot| spot.at[1] > 10.0 && spot.at[1] < 350.0));
        assert!(left.iter().enumerate().all(|(i, spot)| spot.number == i + 1));
    }
}
