//! Newtypes for the identities of things, so that a slot is never looked up by a device's number.

use std::fmt;

use serde::{Deserialize, Serialize};

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub i64);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }
    };
}

id!(
    /// A printer at an address, as polled.
    DeviceId
);
id!(
    /// The place in a device that a supply sits in.
    SlotId
);
id!(
    /// One physical unit in a slot, from the day it went in to the day it came out.
    InstallId
);
id!(
    /// An alert that a rule of ours opened.
    AlertId
);
id!(
    /// A run of a process that polls, from when it says so to its end.
    RunId
);
id!(
    /// What a page asks of whoever polls a device.
    AskId
);
id!(
    /// Somebody who may come in.
    PersonId
);
id!(
    /// Somebody, or some program, who is told of alerts.
    RecipientId
);
id!(
    /// Something that is sent to a recipient.
    MessageId
);
id!(
    /// A catalogue entry.
    PartId
);
id!(
    /// Units of one part on the shelf with one date of manufacture in one place.
    LotId
);
id!(
    /// One line of the shelf's ledger.
    MovementId
);
id!(
    /// An order to a supplier; people call it by this number.
    OrderId
);
id!(
    /// One print head in one place of a device, from the day it went in to the day it came out.
    HeadId
);
id!(
    /// One version of a guide to a swap.
    GuideId
);
id!(
    /// A walk through a guide, and the swap that it led to.
    SwapId
);

/// Where a supply stands in the standard's table: its own row number beside the marker it serves.
///
/// `hrDeviceIndex` is left out on purpose: RFC 2790 lets it change when an agent restarts, and a slot
/// lives as long as its device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct SupplyIndex(pub i32);

impl fmt::Display for SupplyIndex {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}
