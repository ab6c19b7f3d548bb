//! A planned run against what is in a machine: whether it finishes without a swap, and what would stop it.
//!
//! | file | what it holds |
//! | --- | --- |
//! | `plan` | what somebody wants to print, parsed |
//! | `odds` | what a run takes against what is left, as chances |
//! | `learn` | what a machine takes for a square metre, from its own past |
//! | `check` | a queue of runs against the supplies and heads of one machine |
//! | `black` | which black a medium takes |
//! | `before` | what to swap before a night on which nobody is there |
//! | `past` | what a machine printed, from its life count or from what people wrote down |
//! | `words` | a check in sentences |

pub mod before;
pub mod black;
pub mod check;
pub mod learn;
pub mod odds;
pub mod past;
pub mod plan;
pub mod words;
