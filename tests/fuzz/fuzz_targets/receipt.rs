//! The fuzzer of [`rinsebook_fuzz::receipt`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::receipt(data);
});
