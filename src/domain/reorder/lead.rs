//! How long a part takes to arrive: what the catalogue says, put right by what really happened.

use statrs::distribution::{ContinuousCDF, Gamma};

use crate::domain::part::LeadTime;

/// What the catalogue says of a lead time counts like so many deliveries: common practice, no source.
const PRIOR_DELIVERIES: f64 = 3.0;
/// The spread of a lead time, as a share of its mean, where nobody has said it: common practice, no source.
const USUAL_SPREAD: f64 = 0.35;
/// A lead time is looked at on so many days, each as likely.
const NODES: usize = 9;

/// The spread of a lead time, where it is not known a share of its mean.
#[must_use]
pub fn spread_days(lead: LeadTime) -> f64 {
    lead.spread_days.unwrap_or(lead.mean_days * USUAL_SPREAD)
}

/// A lead time after deliveries that took so many days: the mean and variance of a normal distribution with a
/// conjugate prior (normal-gamma), of which the prior counts like three deliveries.
#[must_use]
pub fn learned(prior: LeadTime, took_days: &[f64]) -> LeadTime {
    if took_days.is_empty() {
        return prior;
    }
    let n = took_days.len() as f64;
    let mean = took_days.iter().sum::<f64>() / n;
    let squares: f64 = took_days.iter().map(|days| (days - mean).powi(2)).sum();
    let all = PRIOR_DELIVERIES + n;
    let apart = (mean - prior.mean_days).powi(2) * PRIOR_DELIVERIES * n / all;
    let variance = (PRIOR_DELIVERIES * spread_days(prior).powi(2) + squares + apart) / all;
    LeadTime {
        mean_days: (PRIOR_DELIVERIES * prior.mean_days + n * mean) / all,
        spread_days: Some(variance.sqrt()),
    }
}

/// Days that a delivery may take, each as likely as the others: the middles of nine equal parts of a gamma
/// distribution of the lead time's mean and spread.
#[must_use]
pub fn likely_days(lead: LeadTime) -> Vec<f64> {
    let (mean, spread) = (lead.mean_days.max(0.0), spread_days(lead));
    let shape = (mean / spread).powi(2);
    match Gamma::new(shape, mean / (spread * spread)) {
        // A lead time without spread is always the same; so is one whose spread is next to nothing.
        Ok(gamma) if spread > mean * 1e-3 => {
            (0..NODES).map(|n| gamma.inverse_cdf((n as f64 + 0.5) / NODES as f64)).collect()
        }
        _ => vec![mean],
    }
}
