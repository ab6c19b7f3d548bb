use super::super::learn::Source;
use super::super::odds::Rounding;
use super::*;

const PAST: Basis = Basis::Past { source: Source::Counted, days: 60, area: 900.0 };

/// A tank with so much in it, of which so much goes for each square metre.
pub(crate) fn tank(label: &str, left: f64, ml_per_m2: f64) -> Tank {
    Tank {
        label: label.to_owned(),
        role: Role::Consumed,
        measure: Measure::Millilitres,
        inside: Inside::Told(Left::told(left, 0.1, Rounding::Unknown, Some(775.0))),
        usual: Ok(Rate { mean: ml_per_m2, cv: 0.3, doubt: 0.05, basis: PAST }),
        fresh: Some(775.0),
    }
}

fn check(tanks: Vec<Tank>, plan: &str) -> Check {
    Check::new(tanks, &[], &plan.parse().unwrap(), 0.95)
}

#[test]
fn the_supply_that_ends_first_is_named_with_how_far_it_carries() {
    let tanks = vec![tank("Cyan", 40.0, 0.8), tank("Magenta", 700.0, 0.9), tank("Yellow", 30.0, 0.9)];
    // 60 m²: cyan 48 of 40 ml, yellow 54 of 30 ml.
    let of = check(tanks, "60 m2 matte");
    assert_eq!((of.verdict, of.first), (Verdict::Stops, Some(2)));
    let reach = of.tanks[2].reach.unwrap();
    let (early, middle, late) = (reach.early.unwrap(), reach.middle.unwrap(), reach.late.unwrap());
    // 30 ml at 0.9 for each is 33.3 m²; the middle of a lognormal lies a little below its mean, so it reaches further.
    assert!(early < middle && middle < late && (33.3..36.5).contains(&middle), "{reach:?}");
    let band = of.band.unwrap();
    assert!(band.low < band.high && band.high == *of.tanks[2].chance.as_ref().unwrap());
    let fine = check(vec![tank("Cyan", 400.0, 0.8)], "60 m2 matte");
    assert_eq!((fine.verdict, fine.first), (Verdict::Finishes, None));
}

#[test]
fn gloss_takes_photo_black_and_the_other_rests() {
    let tanks = || vec![tank("Photo black", 100.0, 0.2), tank("Matte black", 100.0, 0.6)];
    let gloss = check(tanks(), "50 m2 gloss");
    let need = |of: &TankCheck| of.queue.as_ref().unwrap().need().mean;
    // Both blacks together took 0.8 ml for each square metre: 40 ml of the one that is used.
    assert!((need(&gloss.tanks[0]) - 40.0).abs() < 1e-9, "{gloss:?}");
    assert!(gloss.tanks[1].rests && (need(&gloss.tanks[1]) - CARE_ML).abs() < 1e-9);
    let both = check(tanks(), "50 m2 gloss\n10 m2 textile");
    assert!(!both.tanks[1].rests && (need(&both.tanks[1]) - 8.0).abs() < 1e-9);
    assert!((need(&both.tanks[0]) - 40.0).abs() < 1e-9);
}

#[test]
fn what_is_not_known_is_said_and_makes_no_number() {
    let mut magenta = tank("Magenta", 0.0, 0.9);
    magenta.inside = Inside::Untold("the device does not tell its level".to_owned());
    let of = check(vec![tank("Cyan", 400.0, 0.8), magenta], "10 m2 gloss");
    assert_eq!((of.verdict, of.band), (Verdict::CannotTell, None));
    let untold: Vec<_> = of.untold().map(|(of, why)| (of.tank.label.as_str(), why)).collect();
    assert_eq!(untold, [("Magenta", "the device does not tell its level")]);
    let mut grams = tank("Cyan", 100.0, 1.0);
    grams.measure = Measure::Grams;
    let given = check(vec![grams], "10 m2 gloss: cyan 3");
    assert!(given.untold().next().unwrap().1.contains("not told in millilitres"));
    // Some left is anything up to what it holds.
    let mut some = tank("Cyan", 0.0, 0.8);
    some.inside = Inside::SomeLeft(Left::some_of(775.0));
    let chance = *check(vec![some], "100 m2 gloss").tanks[0].chance.as_ref().unwrap();
    assert!((chance - (1.0 - 80.0 / 775.0)).abs() < 0.01, "{chance}");
}

#[test]
fn coverage_that_is_given_counts_and_brings_care_with_it() {
    let of = check(vec![tank("Cyan", 93.0, 0.8)], "9 m2 matte: cyan 9.2");
    let need = of.tanks[0].queue.as_ref().unwrap().need();
    assert!((need.mean - 83.8).abs() < 1e-9, "{need:?}");
    assert_eq!(of.tanks[0].basis, Some(Basis::Given));
}

#[test]
fn a_head_that_passes_its_limit_on_the_way_is_told() {
    let head = |ml| HeadAt {
        position: Position::new(1).unwrap(),
        ml,
        limit_ml: 1200.0,
        shares: vec![(0, 0.5), (1, 1.0)],
    };
    let tanks = vec![tank("Cyan", 700.0, 1.0), tank("Magenta", 700.0, 0.5)];
    // 100 m²: half of 100 ml and all of 50 ml, so 100 ml through the head.
    let heads = [head(1000.0), head(1150.0), head(1250.0)];
    let of = Check::new(tanks, &heads, &"100 m2 matte".parse().unwrap(), 0.95);
    assert!((of.heads[0].need.mean - 100.0).abs() < 1e-9);
    assert!(of.heads[0].passes < 0.05 && of.heads[1].passes > 0.9 && of.heads[2].passes == 1.0, "{of:?}");
    // A head stops nothing.
    assert_eq!(of.verdict, Verdict::Finishes);
}
