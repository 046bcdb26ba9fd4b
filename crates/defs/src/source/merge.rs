//! Laying one table over another: tables merge key by key to any depth, everything else is replaced whole.

use std::string::String;
use std::vec::Vec;

use super::{Item, Table};

/// Lays `over` over `base`.
pub(crate) fn lay_over(base: &mut Table, over: &Table) {
    for entry in &over.entries {
        match base.entries.iter_mut().find(|present| present.key == entry.key) {
            None => base.entries.push(entry.clone()),
            Some(present) => match (&mut present.value.item, &entry.value.item) {
                (Item::Table(below), Item::Table(above)) => lay_over(below, above),
                _ => {
                    present.key_span = entry.key_span.clone();
                    present.value = entry.value.clone();
                }
            },
        }
    }
}

/// Removes what `path` (`channel.egr`) names; whether it was there.
pub(crate) fn remove(base: &mut Table, path: &[String]) -> bool {
    let Some((key, rest)) = path.split_first() else { return false };
    if rest.is_empty() {
        let before = base.entries.len();
        base.entries.retain(|entry| entry.key != *key);
        return base.entries.len() < before;
    }
    base.entries.iter_mut().find(|entry| entry.key == *key).is_some_and(|entry| match &mut entry.value.item {
        Item::Table(table) => remove(table, rest),
        _ => false,
    })
}

/// Removes this key from every table below the tables that `path` names: checks are not inherited.
pub(crate) fn remove_below(base: &mut Table, key: &str, tables: &[&str]) {
    for name in tables {
        let Some(entry) = base.entries.iter_mut().find(|entry| entry.key == *name) else { continue };
        let Item::Table(table) = &mut entry.value.item else { continue };
        for entry in &mut table.entries {
            if let Item::Table(inner) = &mut entry.value.item {
                inner.entries.retain(|entry| entry.key != key);
            }
        }
    }
}

/// `channel.egr` as its parts.
pub(crate) fn path(text: &str) -> Vec<String> {
    text.split('.').map(String::from).collect()
}
