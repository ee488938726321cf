//! locate
