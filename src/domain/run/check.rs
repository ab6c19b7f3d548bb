//! A queue of runs against the supplies and heads of one machine.

use super::black::Turn;
use super::learn::{Basis, Rate};
use super::odds::{Band, Left, Need, PerArea, Queue};
use super::plan::{Run, RunPlan};
use crate::domain::part::same_words;
use crate::domain::plumbing::Position;
use crate::domain::reading::Role;
use crate::domain::units::Measure;

/// What head care takes of a colour that a run does not print, in millilitres for a night: an assumption from
/// memory, with a wide spread, no source.
const CARE_ML: f64 = 1.0;
/// The relative spread of [`CARE_ML`].
const CARE_CV: f64 = 1.0;
/// Below this chance a run is more likely to stop than to finish.
pub(super) const EVEN_ODDS: f64 = 0.5;

/// What is known of what is in a supply.
#[derive(Debug, Clone, PartialEq)]
pub enum Inside {
    /// The device told it.
    Told(Left),
    /// The device says that some is left, and not how much: anything up to what it holds, each as likely.
    SomeLeft(Left),
    /// The device sets no limit.
    Unlimited,
    /// It is not known, for this reason (a sentence without its full stop).
    Untold(String),
}

impl Inside {
    /// Between what bounds, where that is known.
    #[must_use]
    pub fn left(&self) -> Option<&Left> {
        match self {
            Self::Told(left) | Self::SomeLeft(left) => Some(left),
            Self::Unlimited | Self::Untold(_) => None,
        }
    }
}

/// A supply in a machine, as a run meets it.
#[derive(Debug, Clone, PartialEq)]
pub struct Tank {
    /// What a person calls it.
    pub label: String,
    /// Used up or filled up.
    pub role: Role,
    /// What its amounts are counted in.
    pub measure: Measure,
    /// What is left in it, or the room left.
    pub inside: Inside,
    /// What goes from it for each square metre as usual, or why that is not known.
    pub usual: Result<Rate, String>,
    /// What a fresh unit holds, where that is known.
    pub fresh: Option<f64>,
}

/// A print head, as a run meets it.
#[derive(Debug, Clone, PartialEq)]
pub struct HeadAt {
    /// Where it sits.
    pub position: Position,
    /// Ink that has gone through it, millilitres.
    pub ml: f64,
    /// The ink after which its warranty ends, millilitres.
    pub limit_ml: f64,
    /// The tanks whose ink runs through it, by their place in the list, with its share.
    pub shares: Vec<(usize, f64)>,
}

/// How far what is in a supply carries, in square metres of the queue: one chance in ten that it ends before
/// `early`, even odds at `middle`, nine in ten before `late`. `None` is further than anybody prints.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// P10.
    pub early: Option<f64>,
    /// P50.
    pub middle: Option<f64>,
    /// P90.
    pub late: Option<f64>,
}

/// A supply against the queue.
#[derive(Debug, Clone, PartialEq)]
pub struct TankCheck {
    /// The supply.
    pub tank: Tank,
    /// What the queue takes of it, or why that is not known.
    pub queue: Result<Queue, String>,
    /// What its rate rests on; none where it rests.
    pub basis: Option<Basis>,
    /// It is the black that none of the runs takes.
    pub rests: bool,
    /// The chance that it lasts, or why none can be told.
    pub chance: Result<f64, String>,
    /// How far it carries.
    pub reach: Option<Reach>,
}

/// A head against the queue.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeadCheck {
    /// Where it sits.
    pub position: Position,
    /// Ink through it so far, millilitres.
    pub ml: f64,
    /// Its limit, millilitres.
    pub limit_ml: f64,
    /// Ink that the queue puts through it.
    pub need: Need,
    /// The chance that it passes its limit on the way, or has passed it already.
    pub passes: f64,
}

/// What is said of a queue at a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// It finishes, with at least the chance that is asked for.
    Finishes,
    /// It may stop.
    MayStop,
    /// It is more likely to stop than to finish.
    Stops,
    /// Nothing can be told.
    CannotTell,
}

impl Verdict {
    /// The word by which it is exchanged.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Finishes => "finishes",
            Self::MayStop => "may_stop",
            Self::Stops => "stops",
            Self::CannotTell => "cannot_tell",
        }
    }
}

/// A queue of runs against one machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// The area of all runs, square metres.
    pub area: f64,
    /// Every supply, in the machine's order.
    pub tanks: Vec<TankCheck>,
    /// The heads whose flow is known.
    pub heads: Vec<HeadCheck>,
    /// The chance that nothing stops it; none where that of some supply is not known.
    pub band: Option<Band>,
    /// What that comes to.
    pub verdict: Verdict,
    /// The supply that stops it first, if any does, by its place in the list.
    pub first: Option<usize>,
}

impl Check {
    /// Checks a queue of runs; `enough` is the chance that is asked for.
    #[must_use]
    pub fn new(tanks: Vec<Tank>, heads: &[HeadAt], plan: &RunPlan, enough: f64) -> Self {
        let queues: Vec<_> = (0..tanks.len()).map(|at| queue(&tanks, at, plan)).collect();
        let heads = heads.iter().map(|head| head_check(head, &queues)).collect();
        let checks = tanks.into_iter().zip(queues).map(|(tank, (queue, basis, rests))| {
            let (chance, reach) = against(&tank.inside, &queue);
            TankCheck { tank, queue, basis, rests, chance, reach }
        });
        let tanks: Vec<TankCheck> = checks.collect();
        let band = together(&tanks);
        let verdict = verdict(band, enough);
        Self { area: plan.area(), first: first(&tanks), tanks, heads, band, verdict }
    }

    /// The supplies of which nothing can be told, with why.
    pub fn untold(&self) -> impl Iterator<Item = (&TankCheck, &str)> {
        self.tanks.iter().filter_map(|of| Some((of, of.chance.as_ref().err()?.as_str())))
    }

    /// Whether any of it rests on what is assumed in the trade.
    #[must_use]
    pub fn assumes(&self) -> bool {
        self.tanks.iter().any(|of| of.basis == Some(Basis::Assumed))
    }
}

/// The chance that several supplies last, if each one's is known.
pub(super) fn together(tanks: &[TankCheck]) -> Option<Band> {
    let chances: Option<Vec<f64>> = tanks.iter().map(|of| of.chance.as_ref().ok().copied()).collect();
    chances.filter(|chances| !chances.is_empty()).map(Band::all_of)
}

fn verdict(band: Option<Band>, enough: f64) -> Verdict {
    match band {
        None => Verdict::CannotTell,
        Some(band) if band.low >= enough => Verdict::Finishes,
        Some(band) if band.high < EVEN_ODDS => Verdict::Stops,
        Some(_) => Verdict::MayStop,
    }
}

/// The supply that is likeliest to stop it; of several that surely do, the one that ends soonest.
fn first(tanks: &[TankCheck]) -> Option<usize> {
    let known = tanks.iter().enumerate().filter_map(|(at, of)| {
        let chance = *of.chance.as_ref().ok()?;
        let reach = of.reach.and_then(|reach| reach.middle).unwrap_or(f64::INFINITY);
        // Chances that a page would show alike are alike.
        Some((at, (chance * 1000.0).round(), reach)).filter(|_| chance < 0.9995)
    });
    known.min_by(|a, b| a.1.total_cmp(&b.1).then(a.2.total_cmp(&b.2))).map(|(at, ..)| at)
}

/// What the queue takes of a tank; what that rests on; and whether the tank rests.
type Taken = (Result<Queue, String>, Option<Basis>, bool);

fn queue(tanks: &[Tank], at: usize, plan: &RunPlan) -> Taken {
    let tank = &tanks[at];
    let (mut runs, mut basis, mut rests, mut untouched) = (Vec::new(), None, true, true);
    for run in plan.runs() {
        let area = run.size.area();
        let takes = match takes(tanks, at, run) {
            Ok(takes) => takes,
            Err(reason) => return (Err(reason), None, false),
        };
        rests &= takes == Takes::Rests;
        runs.push((
            area,
            match takes {
                Takes::Rests => PerArea { mean: 0.0, cv: 0.0, doubt: 0.0 },
                Takes::Given(per_area) => {
                    basis = basis.or(Some(Basis::Given));
                    per_area
                }
                Takes::Usual(rate) => {
                    (basis, untouched) = (Some(rate.basis), false);
                    PerArea { mean: rate.mean, cv: rate.cv, doubt: rate.doubt }
                }
            },
        ));
    }
    // What is learned or assumed has head care in it.
    let care = untouched && tank.measure == Measure::Millilitres;
    let care = if care { Need { mean: CARE_ML, cv: CARE_CV } } else { Need::NONE };
    (Ok(Queue { runs, care }), basis, rests)
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Takes {
    Rests,
    Given(PerArea),
    Usual(Rate),
}

/// What one run takes of a tank for each square metre.
fn takes(tanks: &[Tank], at: usize, run: &Run) -> Result<Takes, String> {
    let tank = &tanks[at];
    if tank.role == Role::Filled {
        return tank.usual.clone().map(Takes::Usual);
    }
    if let Some(given) = run.given.iter().find(|given| same_words(&given.colour, &tank.label)) {
        if tank.measure != Measure::Millilitres {
            return Err(format!(
                "{} is not told in millilitres, and its coverage was given in them",
                tank.label
            ));
        }
        return Ok(Takes::Given(PerArea { mean: given.ml_per_m2, cv: given.cv, doubt: 0.0 }));
    }
    let containers = || tanks.iter().filter(|other| other.role == Role::Consumed);
    let names = containers().map(|other| other.label.as_str());
    match Turn::of(&tank.label, names, run.media) {
        Turn::Rests => Ok(Takes::Rests),
        Turn::Always => tank.usual.clone().map(Takes::Usual),
        Turn::Takes => {
            let mine = tank.usual.clone()?;
            let is_other = |other: &&Tank| {
                Turn::of(&other.label, [tank.label.as_str()], run.media) == Turn::Rests
                    && other.measure == tank.measure
            };
            let others = containers().filter(is_other).filter_map(|other| other.usual.as_ref().ok());
            // What is assumed is already parted among the inks that are used.
            let past = others.filter(|rate| rate.basis != Basis::Assumed);
            Ok(Takes::Usual(past.fold(mine, |sum, rate| sum.joined(*rate))))
        }
    }
}

fn against(inside: &Inside, queue: &Result<Queue, String>) -> (Result<f64, String>, Option<Reach>) {
    let queue = match (inside, queue) {
        (Inside::Unlimited, _) => return (Ok(1.0), None),
        (Inside::Untold(reason), _) | (_, Err(reason)) => return (Err(reason.clone()), None),
        (_, Ok(queue)) => queue,
    };
    let Some(left) = inside.left() else { return (Ok(1.0), None) };
    let reach = |chance| queue.reach(left, chance);
    let reach = Reach { early: reach(0.1), middle: reach(0.5), late: reach(0.9) };
    (Ok(left.covers(&queue.need())), Some(reach))
}

/// The colours of a picture move together, so what they put through a head varies as their sum does when all do.
fn head_check(head: &HeadAt, queues: &[Taken]) -> HeadCheck {
    let (mut mean, mut spread) = (0.0, 0.0);
    for (at, share) in &head.shares {
        if let Some((Ok(queue), ..)) = queues.get(*at) {
            let need = queue.need();
            mean += share * need.mean;
            spread += share * need.mean * need.cv;
        }
    }
    let need = Need::new(mean, spread * spread);
    let passes = if head.ml >= head.limit_ml { 1.0 } else { 1.0 - need.within(head.limit_ml - head.ml) };
    HeadCheck { position: head.position, ml: head.ml, limit_ml: head.limit_ml, need, passes }
}

#[cfg(test)]
pub(crate) mod tests;
