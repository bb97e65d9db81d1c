//! Which reading of which run is taken on which spot of its specimen.
//!
//! In:  a protocol with positions, the runs of a plan, streams of random numbers.
//! Out: a spot for every reading; no spot of a specimen comes twice in the study.
//!
//! A specimen is read in m runs with q marks each. The spots of its shape, in the order of their numbers, are cut into q
//! sectors as equal as can be, the first ones one spot longer if need be. From stream `spots UNIT`: for each specimen in the order of
//! its first run, for each sector, its spots are shuffled; the k-th run on the specimen gets the k-th. Last, for each run of
//! the specimen, a whole number below q: with that sector its readings begin, and go on in order, round and round. So every run,
//! and with it every treatment, has one spot in each sector; which one is chance.
//!
//! Method: positions as blocks, allocated at random within them (common practice). Never here: geometry.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::draw::named;
use super::model::{Plan, PlannedRun};
use super::shape::{Spot, spots};
use crate::diagnostic::{Diagnostic, Diagnostics, Source};
use crate::numeric::stream::Stream;
use crate::protocol::{Positions, Protocol, text_sha256};
use crate::render::csv_row_as_is;

/// The spots of a study.
#[derive(Debug, Clone, PartialEq)]
pub struct SpotMap {
    /// Every spot of the shape, by number from 1.
    pub spots: Vec<Spot>,
    /// For each run, in planned order, the numbers of its spots: responses in protocol order, readings in order.
    pub of_run: Vec<Vec<usize>>,
    /// For each run the specimen it is made on, counted from 0 in the order of their first runs.
    pub specimen: Vec<usize>,
}

/// Marks that a run leaves: readings of the responses that leave one.
#[must_use]
pub fn marks(protocol: &Protocol, positions: &Positions) -> usize {
    positions
        .responses
        .iter()
        .map(|&id| protocol.responses[id].readings)
        .sum()
}

/// How many runs are made on one specimen.
fn runs_on_one(protocol: &Protocol, positions: &Positions) -> usize {
    let above = protocol.above(positions.on);
    let fixed = |unit: usize| unit == positions.on || above.contains(&unit);
    let others = protocol.units.iter().enumerate().filter(|(unit, _)| !fixed(*unit));
    others.fold(1_usize, |product, (_, unit)| product.saturating_mul(unit.count))
}

/// Says if a specimen is too small for the readings that the study takes on it.
///
/// # Errors
///
/// `D042` with the count that fits.
pub fn check_room(protocol: &Protocol) -> Result<(), Diagnostics> {
    let Some(positions) = &protocol.bench.positions else {
        return Ok(());
    };
    let (runs, marks) = (runs_on_one(protocol, positions), marks(protocol, positions));
    let room = spots(positions).len();
    if runs.saturating_mul(marks) <= room {
        return Ok(());
    }
    let unit = &protocol.units[positions.on].name;
    Err(Diagnostic::error(
        "D042",
        format!(
            "a {unit} has room for {room} spots, and the study takes {runs} × {marks} = {} readings on each",
            runs.saturating_mul(marks)
        ),
    )
    .help(format!(
        "{} runs of {marks} reading{} fit on one {unit}: take fewer readings, or have a fresh {unit} where the same one comes back",
        room / marks.max(1),
        if marks == 1 { "" } else { "s" }
    ))
    .into())
}

/// Gives every reading its spot; `None` without positions.
///
/// # Errors
///
/// As `check_room`.
pub fn spot_map(
    protocol: &Protocol,
    runs: &[PlannedRun],
    streams: &dyn Fn(&str) -> Stream,
) -> Result<Option<SpotMap>, Diagnostics> {
    check_room(protocol)?;
    let Some(positions) = &protocol.bench.positions else {
        return Ok(None);
    };
    let spots = spots(positions);
    let marks = marks(protocol, positions);
    let mut path: Vec<usize> = protocol.above(positions.on);
    path.push(positions.on);
    let mut order: Vec<Vec<usize>> = Vec::new();
    let mut known: BTreeMap<Vec<usize>, usize> = BTreeMap::new();
    let mut specimen = Vec::with_capacity(runs.len());
    for (index, run) in runs.iter().enumerate() {
        let key: Vec<usize> = path.iter().map(|&unit| run.units[unit]).collect();
        let number = *known.entry(key).or_insert_with(|| {
            order.push(Vec::new());
            order.len() - 1
        });
        order[number].push(index);
        specimen.push(number);
    }
    let mut stream = streams(&format!("spots {}", protocol.units[positions.on].name));
    let mut of_run = vec![Vec::with_capacity(marks); runs.len()];
    for own in &order {
        let mut sectors: Vec<Vec<usize>> = Vec::with_capacity(marks);
        let mut from = 0;
        for sector in 0..marks {
            let length = spots.len() / marks + usize::from(sector < spots.len() % marks);
            let mut numbers: Vec<usize> = (from + 1..=from + length).collect();
            stream.shuffle(&mut numbers);
            sectors.push(numbers);
            from += length;
        }
        for (turn, &run) in own.iter().enumerate() {
            let first = stream.below(marks as u64) as usize;
            of_run[run] = (0..marks).map(|k| sectors[(first + k) % marks][turn]).collect();
        }
    }
    Ok(Some(SpotMap {
        spots,
        of_run,
        specimen,
    }))
}

/// The text of `positions.csv`: one row a reading.
#[must_use]
pub fn write_spots(protocol: &Protocol, positions: &Positions, map: &SpotMap) -> String {
    let mut text = String::new();
    let [one, other] = positions.shape.coordinates();
    let unit = |name: &str| {
        if matches!(name, "around" | "latitude") {
            "degrees"
        } else {
            "mm"
        }
    };
    csv_row_as_is(
        &mut text,
        [
            "run".to_owned(),
            "response".to_owned(),
            "reading".to_owned(),
            "spot".to_owned(),
            format!("{one} ({})", unit(one)),
            format!("{other} ({})", unit(other)),
        ],
    );
    for (index, numbers) in map.of_run.iter().enumerate() {
        let readings = positions.responses.iter().flat_map(|&id| {
            let response = &protocol.responses[id];
            (1..=response.readings).map(move |reading| (response.name.as_str(), reading))
        });
        for ((response, reading), &number) in readings.zip(numbers) {
            let at = map.spots[number - 1].at;
            csv_row_as_is(
                &mut text,
                [
                    (index + 1).to_string(),
                    response.to_owned(),
                    reading.to_string(),
                    number.to_string(),
                    format!("{:.2}", at[0]),
                    format!("{:.2}", at[1]),
                ],
            );
        }
    }
    text
}

/// The spots of a frozen plan, drawn again from its seed; `None` without positions.
///
/// # Errors
///
/// As `check_room`.
pub fn spots_of(protocol: &Protocol, plan: &Plan) -> Result<Option<SpotMap>, Diagnostics> {
    let seed = plan.header.seed.parse().unwrap_or_default();
    let site = &plan.header.site;
    spot_map(protocol, &plan.runs, &|purpose| named(protocol, site, seed, purpose))
}

/// The text of `positions.csv` for a frozen plan; `None` without positions.
///
/// # Errors
///
/// As `check_room`.
pub fn positions_csv(protocol: &Protocol, plan: &Plan) -> Result<Option<String>, Diagnostics> {
    let Some(positions) = &protocol.bench.positions else {
        return Ok(None);
    };
    Ok(spots_of(protocol, plan)?.map(|map| write_spots(protocol, positions, &map)))
}

/// Holds `positions.csv` against the hash in the plan's header, and against the draw.
///
/// # Errors
///
/// `D044` if it is not what was frozen, or not what the seed gives.
pub fn check_positions(csv: &Arc<Source>, protocol: &Protocol, plan: &Plan) -> Result<(), Diagnostics> {
    let drawn = positions_csv(protocol, plan)?.unwrap_or_default();
    let hash = text_sha256(&csv.text);
    if plan.header.positions_sha256.as_deref() == Some(hash.as_str()) && text_sha256(&drawn) == hash {
        return Ok(());
    }
    let text = csv.text.replace("\r\n", "\n");
    let line = text.lines().zip(drawn.lines()).position(|(a, b)| a != b);
    let start: usize = text.split_inclusive('\n').take(line.unwrap_or(0)).map(str::len).sum();
    Err(
        Diagnostic::error("D044", "positions.csv is not what was drawn with the plan")
            .at(csv, start.min(csv.text.len())..start.min(csv.text.len()), "from here on, if not before")
            .help("bring positions.csv back as `wellrun plan` wrote it; a reading taken elsewhere belongs into the record")
            .into(),
    )
}
