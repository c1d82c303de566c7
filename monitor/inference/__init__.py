"""The water balance read backward (leak) and forward (forecast)."""
