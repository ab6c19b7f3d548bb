//! The month's supply report as comma-separated values (RFC 4180), one row per supply.
//!
//! The columns are stable; a new one is only ever added at the end.
//!
//! | column | what it holds |
//! | --- | --- |
//! | `month` | `2026-10` |
//! | `device` | the device's name |
//! | `cost_centre` | whom its ink is charged to; empty where nobody is named |
//! | `supply` | what a person calls the supply |
//! | `role` | `consumed` (amounts are what was used) or `filled` (amounts are what ran in) |
//! | `unit` | what the amounts are counted in: `ml`, `g`, `m`, `percent`, `impressions`, `sheets`, `hours`, `items` |
//! | `used` | used, or filled, in the month |
//! | `spread` | the part of `used` that fell into silences and is spread over their days |
//! | `unseen` | what may have gone around swaps that nobody saw, at most; not in `used` |
//! | `swaps` | units swapped |
//! | `left_in_swapped` | what was still in the units taken out, or the room that receptacles still had |
//! | `coverage` | the share of the month, from the device's first answer on, for which there are answers, 0 to 1 |
//! | `availability` | the share for which it answered of the time in which it was asked, 0 to 1; empty where it never was |
//! | `site` | the site it stands at |
//! | `model` | what kind of machine it says it is |
//! | `part` | the number of the part that goes in: the one last issued to the slot, else the only one that fits; empty where that is not known |
//! | `currency` | of the part's price, three letters (ISO 4217); empty where there is none |
//! | `cost_minor` | what `used` is worth at that price, in whole minor units: cents of a euro |
//! | `left_cost_minor` | what `left_in_swapped` is worth, likewise |
//! | `output` | how far the device's life count moved; the same in every row of a device, empty where it does not count |
//! | `output_unit` | what it counts: `meters`, `impressions`, … |
//! | `forecasts_within` | of the forecasts whose late day lay in the month, so many supplies ended from the early to the late day; of all machines, and so the same in every row; empty where none is kept |
//! | `forecasts_before`, `forecasts_after` | so many before, so many after, likewise |
//! | `forecasts_days_off` | by how many days the middle day missed the end on average, likewise |

use super::text;
use crate::domain::month::{DeviceMonth, Forecasts, MonthReport, SupplyMonth};
use crate::domain::reading::Role;

/// The first row of the file.
pub const COLUMNS: [&str; 25] = [
    "month",
    "device",
    "cost_centre",
    "supply",
    "role",
    "unit",
    "used",
    "spread",
    "unseen",
    "swaps",
    "left_in_swapped",
    "coverage",
    "availability",
    "site",
    "model",
    "part",
    "currency",
    "cost_minor",
    "left_cost_minor",
    "output",
    "output_unit",
    "forecasts_within",
    "forecasts_before",
    "forecasts_after",
    "forecasts_days_off",
];

/// The report as the bytes of a file: UTF-8, rows ended by CR LF, numbers with a point and three decimals.
///
/// # Errors
/// Writing to memory does not fail; the error is passed on rather than hidden.
pub fn month(report: &MonthReport) -> Result<Vec<u8>, csv::Error> {
    let mut writer =
        csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::with_capacity(4096));
    writer.write_record(COLUMNS)?;
    let month = (report.month.to_string(), forecasts(report));
    for device in &report.devices {
        for supply in &device.supplies {
            writer.write_record(row(&month, device, supply))?;
        }
    }
    writer.into_inner().map_err(|fault| csv::Error::from(fault.into_error()))
}

/// How right the forecasts were, in the order of the columns.
fn forecasts(report: &MonthReport) -> [String; 4] {
    match report.forecasts {
        Forecasts::NotKept => Default::default(),
        Forecasts::Kept { within, before, after, days_off } => {
            let [within, before, after] = [within, before, after].map(|count| count.to_string());
            [within, before, after, days_off.map(number).unwrap_or_default()]
        }
    }
}

fn row(
    (month, forecasts): &(String, [String; 4]),
    device: &DeviceMonth,
    supply: &SupplyMonth,
) -> [String; 25] {
    let role = match supply.role {
        Role::Consumed => "consumed",
        Role::Filled => "filled",
    };
    let output = device.output.as_ref();
    let [within, before, after, days_off] = forecasts.clone();
    [
        month.clone(),
        text(&device.name),
        text(device.cost_centre.as_deref().unwrap_or_default()),
        text(&supply.label),
        role.to_owned(),
        supply.measure.word().to_owned(),
        number(supply.used),
        number(supply.spread),
        number(supply.unseen),
        supply.swaps.to_string(),
        number(supply.left_in_swapped),
        number(device.coverage),
        device.availability.map(number).unwrap_or_default(),
        text(&device.site),
        text(device.model.as_deref().unwrap_or_default()),
        text(supply.part.as_deref().unwrap_or_default()),
        supply.cost.map(|cost| cost.currency.code().to_owned()).unwrap_or_default(),
        supply.cost.map(|cost| cost.minor.to_string()).unwrap_or_default(),
        supply.left_cost.map(|cost| cost.minor.to_string()).unwrap_or_default(),
        output.map(|output| output.count.to_string()).unwrap_or_default(),
        output.map(|output| output.unit.clone()).unwrap_or_default(),
        within,
        before,
        after,
        days_off,
    ]
}

/// Three decimals; an empty cell where there is no figure, and never a minus before zero.
fn number(value: f64) -> String {
    if !value.is_finite() {
        return String::new();
    }
    let figures = format!("{value:.3}");
    if figures == "-0.000" { "0.000".to_owned() } else { figures }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::report::testing::sample;

    fn report(name: &str, label: &str, used: f64) -> MonthReport {
        let mut report = sample();
        report.devices.truncate(1);
        let device = &mut report.devices[0];
        name.clone_into(&mut device.name);
        device.cost_centre = Some("Scenery, large".to_owned());
        device.supplies.truncate(1);
        let supply = &mut device.supplies[0];
        label.clone_into(&mut supply.label);
        (supply.used, supply.spread, supply.unseen) = (used, 12.0, -0.0001);
        report
    }

    fn parse(bytes: &[u8]) -> Vec<Vec<String>> {
        csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(bytes)
            .records()
            .map(|record| record.unwrap().iter().map(str::to_owned).collect())
            .collect()
    }

    #[test]
    fn the_file_is_what_it_says() {
        let bytes = month(&report("Bobbin", "Light \"sky\" cyan", 411.0)).unwrap();
        assert_eq!(
            String::from_utf8(bytes).unwrap(),
            "month,device,cost_centre,supply,role,unit,used,spread,unseen,swaps,left_in_swapped,coverage,availability,\
             site,model,part,currency,cost_minor,left_cost_minor,output,output_unit,forecasts_within,forecasts_before,forecasts_after,\
             forecasts_days_off\r\n\
             2026-10,Bobbin,\"Scenery, large\",\"Light \"\"sky\"\" cyan\",consumed,ml,411.000,12.000,0.000,1,6.400,0.982,\
             0.990,Vellmoor Opera print loft,\"Eight-ink backdrop printer, 60 inch\",VO-C-775,EUR,10023,156,1204,meters,9,1,0,2.400\r\n"
        );
    }

    #[test]
    fn a_name_is_never_a_formula() {
        for name in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"] {
            let rows = parse(&month(&report(name, name, 1.0)).unwrap());
            assert_eq!(rows[1][1], format!("'{name}"));
            assert_eq!(rows[1][3], format!("'{name}"));
        }
    }

    #[test]
    fn a_month_without_devices_is_its_header() {
        let mut nothing = report("Bobbin", "Cyan", 1.0);
        nothing.devices.clear();
        assert_eq!(parse(&month(&nothing).unwrap()), [COLUMNS.map(str::to_owned).to_vec()]);
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(name in "[=+\\-@']{0,2}\\PC{0,20}", used in 0.0..1e7f64) {
            let bytes = month(&report(&name, "Cyan", used)).unwrap();
            prop_assert_eq!(&bytes, &month(&report(&name, "Cyan", used)).unwrap());
            let rows = parse(&bytes);
            prop_assert_eq!(rows.len(), 2);
            prop_assert_eq!(crate::report::bare(&rows[1][1]), &name);
            prop_assert!((rows[1][6].parse::<f64>().unwrap() - used).abs() <= 0.000_500_1);
        }
    }
}
