"""What is asked of a posterior: leak, forecast, a what-if, the most useful measurement, an explanation."""
