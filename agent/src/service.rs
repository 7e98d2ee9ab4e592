//! The agent as a whole: starts every room in order and stops them in reverse.
//!
//! Order of starting: store, publisher, core, links; a message never finds its receiver missing. Threads: the core's, the
//! store's writer, one runtime for links and MQTT, one a serial line. Knows no rule; decides only order. Never panics.

use std::sync::Arc;
use std::sync::mpsc::SyncSender;
use std::thread::JoinHandle;

use crate::core::figures::Summary;
use crate::core::run::{Core, CoreError, Told};
use crate::core::{Door, Message};
use crate::field::{self, FieldHandle};
use crate::plan::Plan;
use crate::publish::{Publisher, PublisherHandle};
use crate::store::{Store, StoreError, Writer};
