//! The catalogue: what can be bought, and which slots it fits.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::outlook::Slot;
use super::reading::Role;
use super::units::Measure;

/// How long a cartridge is good for from its manufacture, in months, until somebody says otherwise: common
/// practice, no source.
pub const CARTRIDGE_SHELF_LIFE_MONTHS: u32 = 30;

/// What kind of thing a part is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PartKind {
    /// A container of ink, toner or another liquid that is used up.
    Cartridge,
    /// A print head.
    Head,
    /// A receptacle that waste fills.
    Receptacle,
}

impl PartKind {
    /// Every kind.
    pub const ALL: [Self; 3] = [Self::Cartridge, Self::Head, Self::Receptacle];

    /// The word by which it is stored, exchanged and shown.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Cartridge => "cartridge",
            Self::Head => "head",
            Self::Receptacle => "receptacle",
        }
    }

    /// From its word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }

    /// How a part of this kind is kept where its own note says nothing: common practice, no source.
    #[must_use]
    pub fn storage_note(self) -> &'static str {
        match self {
            Self::Cartridge => "Cool, dry and dark, in its wrapping.",
            Self::Head => "In its wrapping; never touch the contacts.",
            Self::Receptacle => "Upright and level: it ships with liquid in it.",
        }
    }

    /// Which kind of part goes into a slot. The standard's list of supply types (RFC 3805,
    /// `PrtMarkerSuppliesTypeTC`) has no word for a print head: where a device lists one as "other", its
    /// description tells.
    #[must_use]
    pub fn of_slot(slot: &Slot) -> Self {
        let names_head =
            || words(&slot.description).any(|word| same_word(word, "head") || same_word(word, "printhead"));
        match slot.role {
            Role::Filled => Self::Receptacle,
            Role::Consumed if slot.kind == super::standard::SupplyKind::Other && names_head() => Self::Head,
            Role::Consumed => Self::Cartridge,
        }
    }
}

/// A currency's code: three capital letters (ISO 4217).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct Currency([u8; 3]);

impl From<Currency> for String {
    fn from(currency: Currency) -> Self {
        currency.code().to_owned()
    }
}

impl TryFrom<String> for Currency {
    type Error = String;

    fn try_from(code: String) -> Result<Self, Self::Error> {
        Self::from_code(&code).ok_or_else(|| format!("'{code}' is no currency's code"))
    }
}

impl Currency {
    /// From its code.
    #[must_use]
    pub fn from_code(code: &str) -> Option<Self> {
        let bytes: [u8; 3] = code.as_bytes().try_into().ok()?;
        bytes.iter().all(u8::is_ascii_uppercase).then_some(Self(bytes))
    }

    /// Its code.
    #[must_use]
    pub fn code(&self) -> &str {
        std::str::from_utf8(&self.0).unwrap_or("XXX")
    }

    /// How many digits its minor unit has. ISO 4217 lists two for most; the others in use are here.
    #[must_use]
    pub fn digits(&self) -> u32 {
        match self.code() {
            "BIF" | "CLP" | "DJF" | "GNF" | "ISK" | "JPY" | "KMF" | "KRW" | "PYG" | "RWF" | "UGX" | "VND"
            | "VUV" | "XAF" | "XOF" | "XPF" => 0,
            "BHD" | "IQD" | "JOD" | "KWD" | "LYD" | "OMR" | "TND" => 3,
            _ => 2,
        }
    }
}

/// An amount of money, such as what one unit costs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Price {
    /// In the currency's minor units; a price is not below zero, a difference may be.
    pub minor: i64,
    /// The currency.
    pub currency: Currency,
}

impl Price {
    /// The amount without its currency, with the digits of its minor unit: `189.00`, `-3.05`.
    #[must_use]
    pub fn decimal(&self) -> String {
        let digits = self.currency.digits();
        let (sign, minor, whole) =
            (if self.minor < 0 { "-" } else { "" }, self.minor.unsigned_abs(), 10_u64.pow(digits));
        if digits == 0 {
            return format!("{sign}{minor}");
        }
        format!("{sign}{}.{:0width$}", minor / whole, minor % whole, width = digits as usize)
    }

    /// What one unit costs, from an amount and a currency's code as a person writes them: `189.00 EUR`, `189 EUR`.
    /// `None` if it is not that, is below zero, or has more digits than the currency's minor unit.
    #[must_use]
    pub fn from_words(text: &str) -> Option<Self> {
        let (amount, code) = text.trim().split_once(' ')?;
        let currency = Currency::from_code(code.trim())?;
        let (whole, part) = amount.split_once('.').unwrap_or((amount, ""));
        let digits = currency.digits() as usize;
        let plain = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
        if whole.is_empty() || !plain(whole) || !plain(part) || part.len() > digits {
            return None;
        }
        format!("{whole}{part:0<digits$}").parse().ok().map(|minor| Self { minor, currency })
    }
}

/// As `189.00 EUR`.
impl fmt::Display for Price {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.decimal(), self.currency.code())
    }
}

/// Days from order to delivery.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeadTime {
    /// The mean.
    pub mean_days: f64,
    /// The standard deviation, where it is known.
    pub spread_days: Option<f64>,
}

/// A catalogue entry.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// The maker's or supplier's number for it.
    pub number: String,
    /// What kind of thing it is.
    pub kind: PartKind,
    /// The colorant in it; none where that does not matter.
    pub colour: Option<String>,
    /// What it holds when full.
    pub capacity: Option<(f64, Measure)>,
    /// Months from manufacture that it is good for; none where it does not spoil.
    pub shelf_life_months: Option<u32>,
    /// What one unit costs.
    pub price: Option<Price>,
    /// Units in a pack.
    pub pack_size: u32,
    /// Units that the supplier delivers at least.
    pub minimum_order: u32,
    /// Who delivers it.
    pub supplier: Option<String>,
    /// How long that takes.
    pub lead: Option<LeadTime>,
    /// How it is kept, where the usual is not enough.
    pub storage_note: Option<String>,
    /// The models it fits, as devices name themselves; none: any.
    pub models: Vec<String>,
}

impl Part {
    /// What a person calls it: `cyan cartridge`, `receptacle`.
    #[must_use]
    pub fn label(&self) -> String {
        label(self.kind, self.colour.as_deref())
    }

    /// How it is kept.
    #[must_use]
    pub fn kept(&self) -> &str {
        self.storage_note.as_deref().unwrap_or_else(|| self.kind.storage_note())
    }

    /// Whether it goes into a slot of a device of that model: kind and colour decide the slot, the model
    /// decides the device. A device that has not told its model takes only parts that fit any.
    #[must_use]
    pub fn fits(&self, slot: &Slot, model: Option<&str>) -> bool {
        self.kind == PartKind::of_slot(slot)
            && self.colour.as_deref().is_none_or(|colour| is_colour(colour, slot))
            && self.fits_model(model)
    }

    /// Whether it goes into a device of that model at all.
    #[must_use]
    pub fn fits_model(&self, model: Option<&str>) -> bool {
        let fits = || model.is_some_and(|model| self.models.iter().any(|fits| same_words(fits, model)));
        self.models.is_empty() || fits()
    }
}

/// What a person calls a part of a kind and colour: `cyan cartridge`, `receptacle`.
#[must_use]
pub fn label(kind: PartKind, colour: Option<&str>) -> String {
    match colour {
        Some(colour) => format!("{} {}", colour.to_lowercase(), kind.word()),
        None => kind.word().to_owned(),
    }
}

/// Whether a slot takes a colour: by its colorant, or where the device names none by the beginning of its
/// description.
pub(super) fn is_colour(colour: &str, slot: &Slot) -> bool {
    match &slot.colorant {
        Some(colorant) if !colorant.is_empty() => same_words(colour, colorant),
        _ => begins_with(&slot.description, colour),
    }
}

/// Whether two names are one, in any case, with any marks between words, and in both spellings of grey and of matt.
#[must_use]
pub fn same_words(a: &str, b: &str) -> bool {
    words(a).count() == words(b).count() && begins_with(a, b)
}

fn begins_with(text: &str, beginning: &str) -> bool {
    let mut rest = words(text);
    words(beginning).all(|word| rest.next().is_some_and(|next| same_word(word, next)))
}

fn words(name: &str) -> impl Iterator<Item = &str> {
    name.split(|letter: char| !letter.is_alphanumeric()).filter(|word| !word.is_empty())
}

/// Whether two words are one, in any case and in both spellings of grey and of matt. Every supply of a large
/// room is held against every part, so nothing is copied here.
fn same_word(a: &str, b: &str) -> bool {
    const SPELLINGS: [[&str; 2]; 2] = [["grey", "gray"], ["matte", "matt"]];
    let small = |word: &str, other: &str| {
        word.chars().flat_map(char::to_lowercase).eq(other.chars().flat_map(char::to_lowercase))
    };
    let spelt =
        |word: &str, both: &[&str; 2]| both.iter().any(|spelling| word.eq_ignore_ascii_case(spelling));
    small(a, b) || SPELLINGS.iter().any(|both| spelt(a, both) && spelt(b, both))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    #[test]
    fn a_price_is_read_as_it_is_shown() {
        let minor = |text| Price::from_words(text).map(|price| price.minor);
        for (text, wanted) in
            [("189.00 EUR", 18_900), ("189 EUR", 18_900), ("0.5 EUR", 50), (" 24000 JPY ", 24_000)]
        {
            assert_eq!(minor(text), Some(wanted), "{text}");
        }
        for wrong in
            ["189.00", "EUR", "-1 EUR", "1,50 EUR", "1.234 EUR", "1.0 JPY", "1e3 EUR", ".5 EUR", "1 euro"]
        {
            assert_eq!(minor(wrong), None, "{wrong}");
        }
        assert_eq!(Price::from_words("189.00 EUR").unwrap().to_string(), "189.00 EUR");
    }
    use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
    use crate::domain::standard::SupplyKind;

    /// A cartridge of that colour that fits any model.
    pub(crate) fn cartridge(colour: &str) -> Part {
        Part {
            number: "VO-C-775".to_owned(),
            kind: PartKind::Cartridge,
            colour: Some(colour.to_owned()),
            capacity: Some((775.0, Measure::Millilitres)),
            shelf_life_months: Some(CARTRIDGE_SHELF_LIFE_MONTHS),
            price: None,
            pack_size: 1,
            minimum_order: 1,
            supplier: None,
            lead: None,
            storage_note: None,
            models: Vec::new(),
        }
    }

    fn slot(kind: SupplyKind, colorant: Option<&str>, description: &str) -> Slot {
        Slot {
            id: SlotId(1),
            device: DeviceId(1),
            index: SupplyIndex(1),
            role: if kind.is_waste() { Role::Filled } else { Role::Consumed },
            kind,
            colorant: colorant.map(str::to_owned),
            description: description.to_owned(),
        }
    }

    #[test]
    fn kind_and_colour_decide_the_slot() {
        let fits = |colour: &str, slot: &Slot| cartridge(colour).fits(slot, None);
        let cyan = slot(SupplyKind::InkCartridge, Some("cyan"), "Cyan ink cartridge");
        assert!(fits("Cyan", &cyan) && !fits("Light cyan", &cyan));
        let grey = slot(SupplyKind::InkCartridge, Some("light_gray"), "");
        assert!(fits("Light grey", &grey) && !fits("grey", &grey));
        let unnamed = slot(SupplyKind::InkCartridge, None, "Light cyan ink cartridge");
        assert!(fits("Light cyan", &unnamed) && !fits("Cyan", &unnamed));
        let matte = slot(SupplyKind::InkCartridge, Some("MATT BLACK"), "");
        assert!(fits("Matte black", &matte) && !fits("Matte", &matte) && !fits("Black", &matte));
        let waste = slot(SupplyKind::WasteInk, None, "Waste receptacle");
        let receptacle = Part { kind: PartKind::Receptacle, colour: None, ..cartridge("Cyan") };
        assert!(receptacle.fits(&waste, None) && !fits("Cyan", &waste) && !receptacle.fits(&cyan, None));
        let head = Part { kind: PartKind::Head, colour: None, ..cartridge("Cyan") };
        assert!(head.fits(&slot(SupplyKind::Other, None, "Print head 2"), None) && !head.fits(&cyan, None));
    }

    #[test]
    fn the_model_decides_the_device() {
        let cyan = slot(SupplyKind::InkCartridge, Some("cyan"), "");
        let part = Part { models: vec!["Backdrop printer, 60 inch".to_owned()], ..cartridge("Cyan") };
        assert!(part.fits(&cyan, Some("backdrop printer,  60 inch")));
        assert!(!part.fits(&cyan, Some("Backdrop printer, 44 inch")) && !part.fits(&cyan, None));
    }

    /// ISO 4217: the euro has two digits behind the point, the yen none, the Kuwaiti dinar three.
    #[test]
    fn prices_have_their_currencys_digits() {
        let price = |minor, code| Price { minor, currency: Currency::from_code(code).unwrap() }.to_string();
        assert_eq!(
            [price(18_905, "EUR"), price(7, "EUR"), price(24_000, "JPY"), price(1_250, "KWD")],
            ["189.05 EUR", "0.07 EUR", "24000 JPY", "1.250 KWD"]
        );
        assert!(["eur", "EU", "EURO", "€"].iter().all(|code| Currency::from_code(code).is_none()));
    }
}
